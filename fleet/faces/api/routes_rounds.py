"""Routes of rounds and of taking over. Rounds live in the daemon's memory: they end with it."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query

from fleet.faces import round_documents
from fleet.faces.api.bodies import RoundBody, RoundKindBody, WhoBody
from fleet.faces.api.routes_changes import LONGEST_WAIT_S
from fleet.faces.documents import Document
from fleet.services.together import Services


def router_over(services: Services) -> APIRouter:
    """The routes over these services."""
    router = APIRouter()
    rounds, take_over = services.rounds, services.take_over

    @router.post("/rounds/plan")
    async def plan(body: RoundKindBody) -> Document:
        return round_documents.round_plan(body.kind, await rounds.look(body.kind))

    @router.post("/rounds")
    async def start(body: RoundBody) -> Document:
        return round_documents.round_of(await rounds.start(body.asked(), who=body.who, why=body.why))

    @router.get("/rounds/{round_id}")
    async def one_round(round_id: str, wait_s: Annotated[float, Query(ge=0, le=LONGEST_WAIT_S)] = 0) -> Document:
        return round_documents.round_of(await rounds.wait(round_id, wait_s))

    @router.post("/rounds/{round_id}/cancel")
    async def cancel(round_id: str, body: WhoBody) -> Document:
        return round_documents.round_of(rounds.cancel(round_id, body.who))

    @router.get("/take-over")
    async def epochs() -> Document:
        return round_documents.epochs(await take_over.look(), taken=False)

    @router.post("/take-over")
    async def take(body: WhoBody) -> Document:
        found = await take_over.take(body.who)
        return round_documents.epochs(found, taken=bool(found.above))

    return router
