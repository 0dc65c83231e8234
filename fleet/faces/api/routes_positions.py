"""Routes of single positions, and of the responses that outputs should have and report."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query

from fleet.faces import position_documents, response_documents
from fleet.faces.documents import Document
from fleet.services.position_view import position_view
from fleet.services.responses import Density, responses
from fleet.services.together import Services


def router_over(services: Services) -> APIRouter:
    """The routes over these services."""
    router = APIRouter()

    @router.get("/rooms/{room}/positions/{position}")
    async def position(room: str, position: str) -> Document:
        found = position_view(room, position, services.desired, services.inventory, services.lookout)
        return position_documents.position(found, services.watching.standing(room))

    @router.get("/rooms/{room}/responses")
    async def room_responses(
        room: str,
        group: str | None = None,
        position: str | None = None,
        points_per_decade: Annotated[
            Density, Query(description="R80, or every second, fourth, eighth point.")
        ] = Density.R80,
    ) -> Document:
        found = responses(
            room,
            services.desired,
            services.inventory,
            services.lookout,
            group=group,
            position=position,
            density=points_per_decade,
        )
        return response_documents.responses(found)

    return router
