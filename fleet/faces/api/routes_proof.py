"""Routes of what proves something: a snapshot as a file to keep, and a file that somebody brings back."""

from __future__ import annotations

import asyncio
from typing import Annotated, Final, Literal

from fastapi import APIRouter, Query, Response
from pydantic import Base64Bytes, Field

from fleet.faces import snapshot_documents
from fleet.faces.api.bodies import Body
from fleet.faces.documents import Document
from fleet.services.together import Services

FileKind = Literal["json", "csv", "html"]
MEDIA: Final[dict[FileKind, str]] = {
    "json": "application/octet-stream",  # its bytes are what was sealed: nothing on the way is to touch them
    "csv": "text/csv; charset=utf-8",
    "html": "text/html; charset=utf-8",
}
LARGEST_FILE: Final = 22_000_000


class VerifyBody(Body):
    """A snapshot's file as it was brought, and the venue's public key where somebody has it from elsewhere."""

    file: Annotated[Base64Bytes, Field(max_length=LARGEST_FILE, description="The bytes of the file.")]
    key: Annotated[str, Field(max_length=10_000, description="PEM; empty for none.")] = ""


def router_over(services: Services) -> APIRouter:
    """The routes over these services."""
    router = APIRouter()

    @router.get("/snapshots/{snapshot}/file")
    async def file(snapshot: str, kind: Annotated[FileKind, Query(alias="as")] = "json") -> Response:
        found = await services.snapshots.get(snapshot)
        data = await asyncio.to_thread(_written, snapshot_documents.snapshot(found), kind)
        name = f"snapshot-{found.body.at:%Y-%m-%d}-{found.id}.{kind}"
        headers = {"Content-Disposition": f'attachment; filename="{name}"'}
        return Response(data, media_type=MEDIA[kind], headers=headers)

    @router.post("/snapshots/verify")
    async def verify(body: VerifyBody) -> Document:
        return await asyncio.to_thread(_verified, body)

    return router


def _written(document: Document, kind: FileKind) -> bytes:
    if kind == "json":
        return snapshot_documents.text(document)
    from fleet.faces.proof import exports  # noqa: PLC0415 - brings jinja2 and segno, which take their time

    return (exports.csv_text(document) if kind == "csv" else exports.html_text(document)).encode()


def _verified(body: VerifyBody) -> Document:
    from fleet.faces.proof import keys, verdicts, verifying  # noqa: PLC0415 - only this needs them

    key = keys.public_key_of(body.key.encode(), "the public key") if body.key.strip() else None
    return verdicts.verdict_document(verifying.verify(body.file, key=key))
