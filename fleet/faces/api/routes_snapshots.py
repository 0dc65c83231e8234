"""Routes of snapshots, of their witnesses, and of the key that signs them."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import Field

from fleet.errors import NotFound
from fleet.faces import snapshot_documents
from fleet.faces.api.bodies import TakeBody, WhoBody
from fleet.faces.api.paging import Paged
from fleet.faces.documents import Document
from fleet.faces.proof.keys import pem_of
from fleet.services.snapshots import WHOLE
from fleet.services.together import Services


class WitnessBody(WhoBody):
    """Who countersigned the hash of a snapshot; `sha256` is what stands on their paper."""

    name: Annotated[str, Field(min_length=1, max_length=200)]
    note: Annotated[str, Field(max_length=1000)] = ""
    sha256: Annotated[str, Field(max_length=64, pattern=r"^([0-9a-fA-F]{64})?$")] = ""


def router_over(services: Services) -> APIRouter:
    """The routes over these services."""
    router = APIRouter()
    snapshots = services.snapshots

    @router.post("/snapshots")
    async def take(body: TakeBody) -> Document:
        return snapshot_documents.snapshot(await snapshots.take(body.who, body.note))

    @router.get("/snapshots")
    async def some(
        paging: Paged,
        of_changes: Annotated[bool, Query(description="Also those before and after changes.")] = False,
    ) -> Document:
        found = await snapshots.entries(paging.looked_at, () if of_changes else WHOLE, before=paging.place)
        return paging.page(found, lambda entry: entry.id, snapshot_documents.snapshots)

    @router.get("/snapshots/{snapshot}")
    async def one(snapshot: str) -> Document:
        return snapshot_documents.snapshot(await snapshots.get(snapshot))

    @router.get("/snapshots/{first}/against/{second}")
    async def compare(first: str, second: str) -> Document:
        comparison = await snapshots.compare(first, second)
        return snapshot_documents.compared(comparison, first, second)

    @router.post("/snapshots/{snapshot}/witnesses")
    async def witness(snapshot: str, body: WitnessBody) -> Document:
        return snapshot_documents.snapshot(
            await snapshots.witness(snapshot, name=body.name, note=body.note, who=body.who, sha256=body.sha256)
        )

    @router.post("/snapshots/{snapshot}/time-stamps")
    async def time_stamp(snapshot: str, body: WhoBody) -> Document:
        return snapshot_documents.snapshot(await snapshots.time_stamp(snapshot, body.who))

    @router.get("/snapshot-key")
    async def key() -> Document:
        signer = services.signer
        if signer is None:
            raise NotFound("this daemon signs nothing")
        return {"format": "fleet-snapshot-key/1", "pem": pem_of(signer.public_key), "sha256": signer.key_sha256}

    return router
