"""Routes of the venue: status, versions of the desired state, rooms, check, diff."""

from __future__ import annotations

import os
from typing import Annotated

from fastapi import APIRouter, Query

from fleet import __version__
from fleet.faces import check_documents, diff_documents, room_documents
from fleet.faces.api.bodies import FilesBody, HoldBody, LoadBody, WhoBody
from fleet.faces.documents import Document
from fleet.services.room_view import room_view
from fleet.services.together import Services


def router_over(services: Services, *, broker: str, root: str) -> APIRouter:
    """The routes over these services."""
    router = APIRouter()

    @router.get("/status")
    async def status() -> Document:
        version = services.desired.version
        return {
            "format": "fleet-status/1",
            "version": __version__,
            "pid": os.getpid(),
            "broker": broker,
            "root": root,
            "link_trouble": services.inventory.link_trouble,
            "venue": version.venue.name if version else None,
            "desired_sha256": version.sha256 if version else None,
        }

    @router.post("/versions")
    async def load(body: LoadBody) -> Document:
        return check_documents.loaded(await services.desired.load(body.files, body.who, allow=body.allow))

    @router.post("/check")
    async def check(body: FilesBody) -> Document:
        return check_documents.check(services.checking.check(body.files))

    @router.get("/rooms")
    async def rooms() -> Document:
        venue = services.desired.venue()
        outlook = services.lookout.glance(services.desired.bound())
        compared = {
            name: services.lookout.compare(outlook, list(room.positions.values())) for name, room in venue.rooms.items()
        }
        return room_documents.rooms(venue.rooms, compared, await services.holds.current())

    @router.get("/rooms/{room}")
    async def room(room: str) -> Document:
        return room_documents.room(room_view(room, services.desired, services.lookout))

    @router.post("/rooms/{room}/hold")
    async def hold(room: str, body: HoldBody) -> Document:
        return room_documents.hold(await services.holds.hold(room, body.until, body.who, body.why))

    @router.post("/rooms/{room}/release")
    async def release(room: str, _body: WhoBody) -> Document:
        await services.holds.release(room)
        return {"format": "fleet-release/1", "room": room}

    @router.get("/diff")
    async def diff(
        room: Annotated[list[str], Query()] = [],  # noqa: B006  # FastAPI copies the default
        group: str | None = None,
        position: str | None = None,
    ) -> Document:
        comparison = await services.lookout.differences(rooms=room, group=group, position=position)
        return diff_documents.diff(comparison, room or services.desired.venue().rooms)

    return router
