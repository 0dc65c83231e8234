"""The route of the OpenAPI document."""

from __future__ import annotations

from fastapi import APIRouter, Request

from fleet.faces.api.openapi import describe
from fleet.faces.documents import Document


def router() -> APIRouter:
    """The route. The document is made when it is first asked for: all routes are there by then."""
    told = APIRouter()
    made: list[Document] = []

    @told.get("/openapi.json")
    async def openapi(request: Request) -> Document:
        if not made:
            made.append(describe(request.app))
        return made[0]

    return told
