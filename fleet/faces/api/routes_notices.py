"""Routes of notices: the list, who is told of them, a test; and the stream of events for a live view."""

from __future__ import annotations

from collections.abc import AsyncIterator
from typing import Annotated

from fastapi import APIRouter, Header
from fastapi.sse import EventSourceResponse, ServerSentEvent

from fleet.faces.api.bodies import WhoBody
from fleet.faces.api.calling import Called
from fleet.faces.api.events import Events
from fleet.faces.api.events_seen import seen_by
from fleet.faces.api.happenings import Happenings
from fleet.faces.api.paging import Paged, Since
from fleet.faces.documents import Document
from fleet.faces.notices.document import notices_document
from fleet.model.edge import plain
from fleet.model.notice import NoticeKind
from fleet.reconcile.scope import room_of
from fleet.services.together import Services


def router_over(services: Services, events: Events, happenings: Happenings) -> APIRouter:
    """The routes over these services."""
    router = APIRouter()

    @router.get("/notices")
    async def notices(
        paging: Paged,
        since: Since | None = None,
        room: str = "",
        kind: NoticeKind | None = None,
    ) -> Document:
        version = services.desired.version
        if room and version is not None:
            room = room_of(version.venue, room).name
        found = await services.notices.recent(paging.looked_at, since, room=room, kind=kind, before=paging.place)
        zone = services.desired.zone
        return paging.page(found, lambda notice: notice.id, lambda ours: notices_document(ours, zone))

    @router.get("/receivers")
    async def receivers() -> Document:
        states = await services.delivering.states()
        return {"format": "fleet-receivers/1", "receivers": [plain(state) for state in states]}

    @router.post("/receivers/test")
    async def test(_body: WhoBody) -> Document:
        wrong = await services.delivering.test()
        rows = [{"name": name, "arrived": not words, "words": words} for name, words in wrong.items()]
        return {"format": "fleet-notices-test/1", "receivers": rows}

    @router.get("/events", response_class=EventSourceResponse)
    async def stream(
        caller: Called, last_event_id: Annotated[str | None, Header()] = None
    ) -> AsyncIterator[ServerSentEvent]:
        async with happenings.read():
            async for event in events.since(last_event_id):
                if (told := seen_by(caller, event)) is not None:
                    yield ServerSentEvent(id=told.id, event=told.kind, data=told.data)

    return router
