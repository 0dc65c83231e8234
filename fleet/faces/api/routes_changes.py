"""Routes of plans and changes."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query

from fleet.faces import change_documents
from fleet.faces.api.bodies import AskedBody, StartBody, WhoBody
from fleet.faces.documents import Document
from fleet.services.together import Services

LONGEST_WAIT_S = 30.0


def router_over(services: Services) -> APIRouter:
    """The routes over these services."""
    router = APIRouter()
    changes = services.changes

    @router.post("/plans")
    async def plan(body: AskedBody) -> Document:
        return change_documents.plan(await changes.plan(body.asked()))

    @router.post("/changes")
    async def start(body: StartBody) -> Document:
        record = await changes.start(
            body.asked(),
            digest=body.digest,
            who=body.who,
            why=body.why,
            allow=body.allow,
            keep_within_s=body.keep_within_s,
        )
        return change_documents.change(record)

    @router.get("/changes")
    async def all_changes() -> Document:
        return change_documents.changes(await changes.records(), await changes.damaged())

    @router.get("/changes/{change}")
    async def one_change(
        change: str, wait_s: Annotated[float, Query(ge=0, le=LONGEST_WAIT_S)] = 0, or_trial: bool = False
    ) -> Document:
        record = await changes.wait(change, wait_s, or_trial=or_trial)
        return change_documents.change(record, await changes.story(change))

    @router.post("/changes/{change}/cancel")
    async def cancel(change: str, body: WhoBody) -> Document:
        await changes.cancel(change, body.who)
        return change_documents.change(await changes.record(change))

    @router.post("/changes/{change}/keep")
    async def keep(change: str) -> Document:
        await changes.keep(change)
        return change_documents.change(await changes.record(change))

    return router
