"""Routes of agreed deviations."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter
from pydantic import Field

from fleet.faces import deviation_documents
from fleet.faces.api.bodies import Body, Named, Who
from fleet.faces.documents import Document
from fleet.services.deviations import Signed
from fleet.services.together import Services

Text = Annotated[str, Field(min_length=1, max_length=1000)]


class OfPositionBody(Body):
    """Settings of a position; none means all that counts."""

    room: Named
    position: Named
    settings: Annotated[tuple[Named, ...], Field(max_length=50)] = ()


class AgreeBody(OfPositionBody):
    """Differences to agree to: those with this digest, and no others."""

    digest: Annotated[str, Field(min_length=64, max_length=64)]
    until: Annotated[str, Field(max_length=40, description="The last day, as 2031-06-30.")]
    why: Text
    owner: Annotated[str, Field(min_length=1, max_length=100, description="Whose matter it is.")]
    who: Who


class EndBody(OfPositionBody):
    """Deviations to end."""

    who: Who


def router_over(services: Services) -> APIRouter:
    """The routes over these services."""
    router = APIRouter()
    deviations = services.deviations

    @router.get("/deviations")
    async def all_deviations() -> Document:
        return deviation_documents.deviations(deviations.listed(), deviations.stands)

    @router.post("/deviations/look")
    async def look(body: OfPositionBody) -> Document:
        return deviation_documents.found(await deviations.look(body.room, body.position, body.settings))

    @router.post("/deviations")
    async def agree(body: AgreeBody) -> Document:
        signed = Signed(until=body.until, reason=body.why, owner=body.owner, who=body.who)
        agreed = await deviations.agree(body.room, body.position, body.settings, signed, digest=body.digest)
        return deviation_documents.deviations(agreed, deviations.stands)

    @router.post("/deviations/end")
    async def end(body: EndBody) -> Document:
        ended = await deviations.end(body.room, body.position, body.settings, body.who)
        return deviation_documents.deviations(ended, deviations.stands)

    return router
