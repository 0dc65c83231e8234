"""Routes of the audit log. It is read here; what is written to it is written by `auditing` and by the services."""

from __future__ import annotations

import re
from typing import Annotated, Final

from fastapi import APIRouter, Query

from fleet.errors import BadInput
from fleet.faces import audit_documents
from fleet.faces.api.paging import Paged, Since
from fleet.faces.documents import Document
from fleet.model.audit import Kept
from fleet.model.names import shown
from fleet.services.together import Services

_KEPT: Final = re.compile(r"([0-9]{1,12}):([0-9a-f]{64}):(.{1,200})")


def router_over(services: Services) -> APIRouter:
    """The routes over these services."""
    router = APIRouter()
    audit, snapshots = services.audit, services.snapshots

    @router.get("/audit")
    async def entries(
        paging: Paged,
        who: str | None = None,
        since: Since | None = None,
    ) -> Document:
        before = int(paging.place) if paging.place.isdecimal() else None
        found = await audit.entries(paging.looked_at, before=before, who=who, since=since)
        return paging.page(found, lambda entry: str(entry.number), audit_documents.entries)

    @router.get("/audit/verify")
    async def verify(
        kept: Annotated[list[str], Query(description="LENGTH:SHA256:WORDS of a head that somebody kept.")] = [],  # noqa: B006  # FastAPI copies the default
    ) -> Document:
        heads = [_kept(one) for one in kept]
        for entry in await snapshots.entries(1):
            head = (await snapshots.get(entry.id)).body.audit
            if head is not None and head.length:
                heads.append(Kept(length=head.length, sha256=head.sha256, whose=f"the stored snapshot {entry.id}"))
        return audit_documents.followed(await audit.verify(heads))

    return router


def _kept(text: str) -> Kept:
    found = _KEPT.fullmatch(text)
    if found is None:
        raise BadInput(f"{shown(text)!r} is no head of an audit log: LENGTH:SHA256:WORDS")
    return Kept(length=int(found[1]), sha256=found[2], whose=shown(found[3], 200))
