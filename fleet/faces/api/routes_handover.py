"""The route of hand-overs."""

from __future__ import annotations

import asyncio

from fastapi import APIRouter

from fleet.faces.api.bodies import HandOverBody
from fleet.faces.documents import Document
from fleet.services.together import Services


def router_over(services: Services) -> APIRouter:
    """The route over these services."""
    router = APIRouter()

    @router.post("/handovers")
    async def hand_over(body: HandOverBody) -> Document:
        from fleet.faces.handover import rendered  # noqa: PLC0415 - brings matplotlib, which takes its time

        pack = await services.handing_over.gather(body.room, body.who, body.note)
        return {
            "format": "fleet-handover/1",
            "venue": pack.venue,
            "room": pack.room or None,
            "snapshot": pack.snapshot.id,
            "sha256": pack.snapshot.sha256,
            "checked": len(pack.comparison.checked),
            "not_checked": sum(n.reason != "life_safety" for n in pack.comparison.not_checked),
            "same": pack.comparison.same(),
            "files": await asyncio.to_thread(rendered, pack),
        }

    return router
