"""Routes of power: restarts of devices, and whether those of a room are up."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query

from fleet.faces import restart_documents
from fleet.faces.api.bodies import RestartBody
from fleet.faces.documents import Document
from fleet.services.together import Services

LONGEST_WAIT_S = 30.0


def router_over(services: Services) -> APIRouter:
    """The routes over these services."""
    router = APIRouter()
    power = services.power

    @router.post("/restarts/plan")
    async def plan(body: RestartBody) -> Document:
        return restart_documents.restart(
            await power.plan(body.scope(), who=body.who, why=body.why, recall=body.recall, allow=body.allow)
        )

    @router.post("/restarts")
    async def start(body: RestartBody) -> Document:
        return restart_documents.restart(
            await power.start(body.scope(), who=body.who, why=body.why, recall=body.recall, allow=body.allow)
        )

    @router.get("/restarts/{restart}")
    async def one(restart: str, wait_s: Annotated[float, Query(ge=0, le=LONGEST_WAIT_S)] = 0) -> Document:
        return restart_documents.restart(await power.wait(restart, wait_s))

    @router.get("/rooms/{room}/missing")
    async def missing(room: str) -> Document:
        away = power.missing([room])
        return {
            "format": "fleet-missing/1",
            "room": room,
            "missing": [{"position": p.name, "device": p.device} for p in away],
        }

    return router
