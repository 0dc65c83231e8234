"""Routes of guest sessions."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter
from pydantic import Field

from fleet.faces import change_documents, guest_documents
from fleet.faces.api.bodies import Allow, Body, Who, WhoBody
from fleet.faces.documents import Document
from fleet.services.guests import AskedGuest
from fleet.services.together import Services


class GuestBody(WhoBody):
    """A guest to let into a room."""

    guest: Annotated[str, Field(min_length=1, max_length=100, description="Who the guest is.")]
    until: Annotated[str, Field(min_length=1, max_length=40, description="2h, 90m, 23:30 or an ISO 8601 time.")]
    ceiling_db: Annotated[float | None, Field(allow_inf_nan=False, description="The highest level.")] = None
    why: Annotated[str, Field(max_length=1000)] = ""


class PutBackBody(Body):
    """A room to put back: by the plan with this digest, and no other."""

    digest: Annotated[str, Field(min_length=64, max_length=64)]
    who: Who
    why: Annotated[str, Field(max_length=1000)] = ""
    allow: Allow = Field(default_factory=list)
    keep_within_s: Annotated[float | None, Field(gt=0, description="Return by itself unless kept within this.")] = None


def router_over(services: Services) -> APIRouter:
    """The routes over these services."""
    router = APIRouter()
    guests = services.guests

    def time_zone() -> str:
        return services.desired.venue().time_zone

    @router.get("/guests")
    async def sessions() -> Document:
        return guest_documents.sessions(await guests.sessions(), time_zone())

    @router.post("/rooms/{room}/guest")
    async def begin(room: str, body: GuestBody) -> Document:
        asked = AskedGuest(
            room=room, guest=body.guest, until=body.until, who=body.who, ceiling_db=body.ceiling_db, why=body.why
        )
        return guest_documents.session(await guests.begin(asked), time_zone())

    @router.post("/rooms/{room}/guest/end")
    async def end(room: str, body: WhoBody) -> Document:
        return guest_documents.session(await guests.end(room, body.who), time_zone())

    @router.post("/rooms/{room}/guest/put-back/plan")
    async def plan(room: str) -> Document:
        return change_documents.plan(await guests.plan_put_back(room))

    @router.post("/rooms/{room}/guest/put-back")
    async def put_back(room: str, body: PutBackBody) -> Document:
        record = await guests.put_back(
            room,
            digest=body.digest,
            who=body.who,
            why=body.why,
            allow=body.allow,
            keep_within_s=body.keep_within_s,
        )
        return change_documents.change(record)

    return router
