"""The route of the drift watch."""

from __future__ import annotations

from fastapi import APIRouter

from fleet.faces import drift_documents
from fleet.faces.documents import Document
from fleet.services.together import Services


def router_over(services: Services) -> APIRouter:
    """The route over these services."""
    router = APIRouter()

    @router.get("/drift")
    async def drift() -> Document:
        return drift_documents.drift(services.watching.episodes())

    return router
