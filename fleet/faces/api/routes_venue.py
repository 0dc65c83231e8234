"""Routes of the venue: status, versions of the desired state, rooms, check, diff."""

from __future__ import annotations

import os
from typing import Annotated

from fastapi import APIRouter, Header, HTTPException, Query

from fleet import __version__
from fleet.errors import NotFound
from fleet.faces import (
    change_documents,
    check_documents,
    diff_documents,
    guest_documents,
    history_documents,
    level_documents,
    room_documents,
)
from fleet.faces.api.bodies import FilesBody, HoldBody, LoadBody, WhoBody
from fleet.faces.api.calling import Called
from fleet.faces.api.etags import etag_of, matches
from fleet.faces.documents import Document
from fleet.model.edge import plain
from fleet.reconcile.scope import select
from fleet.services.level_view import level_views
from fleet.services.room_modes import room_modes
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
            "inventory": plain(services.inventory.filling),
            "venue": version.venue.name if version else None,
            "desired_sha256": version.sha256 if version else None,
        }

    @router.post("/versions")
    async def load(body: LoadBody, if_match: Annotated[str | None, Header(include_in_schema=False)] = None) -> Document:
        desired = services.desired
        async with desired.taking:  # nothing comes between the look at what is in force and its successor
            if if_match is not None and not matches(if_match, etag_of(await services.store.latest_version())):
                raise HTTPException(412, "another version is in force by now; look at it, and edit that")
            loaded = await desired.put_in_force(body.files, body.who, allow=body.allow)
        return check_documents.loaded(loaded)

    @router.post("/check")
    async def check(body: FilesBody) -> Document:
        return check_documents.check(services.checking.check(body.files))

    @router.get("/rooms")
    async def rooms(caller: Called) -> Document:
        venue = services.desired.venue()
        theirs = {name: room for name, room in venue.rooms.items() if caller.sees(name)}
        outlook = services.lookout.glance(services.desired.bound())
        compared = {
            name: services.lookout.compare(outlook, list(room.positions.values())) for name, room in theirs.items()
        }
        modes = services.desired.modes
        in_modes = {n: room_modes(room, modes.get(n), venue.time_zone) for n, room in theirs.items()}
        standing = {name: services.watching.standing(name) for name in theirs}
        holds, guests = await services.holds.current(), await services.guests.current()
        return room_documents.rooms(theirs, compared, holds, in_modes, standing, guests, venue.time_zone)

    @router.get("/rooms/{room}")
    async def room(room: str) -> Document:
        view = room_view(room, services.desired, services.lookout)
        document = room_documents.room(view, services.watching.standing(view.room))
        levels = (await room_levels(room))["levels"]
        zone = services.desired.venue().time_zone
        held = (await services.holds.current()).get(view.room)
        guest = (await services.guests.current()).get(view.room)
        return {
            **document,
            "chosen_levels": [one for one in levels if one["chosen"] is not None],
            "time_zone": zone,
            "hold": room_documents.hold(held, zone) if held is not None else None,
            "guest": guest_documents.in_room(guest, zone) if guest is not None else None,
            "in_progress": [change_documents.change_row(r) for r in services.changes.in_progress(view.room)],
        }

    @router.get("/rooms/{room}/levels")
    async def room_levels(room: str, group: str | None = None, position: str | None = None) -> Document:
        venue = services.desired.venue()
        positions = select(venue, room, group=group, position=position)
        outlook = services.lookout.glance({p.device for p in positions})
        views = level_views(positions, outlook, await services.chosen.current(), await services.level_ends.current())
        return level_documents.levels(venue.rooms[room], venue.time_zone, views)

    @router.get("/rooms/{room}/history")
    async def history(room: str, limit: Annotated[int, Query(ge=1, le=500)] = 20) -> Document:
        return history_documents.history(await services.history.of_room(room, limit))

    @router.post("/rooms/{room}/hold")
    async def hold(room: str, body: HoldBody) -> Document:
        held = await services.holds.hold(room, body.until, body.who, body.why)
        return room_documents.hold(held, services.desired.venue().time_zone)

    @router.post("/rooms/{room}/release")
    async def release(room: str, _body: WhoBody) -> Document:
        released = await services.holds.release(room)
        held = room_documents.hold(released, services.desired.venue().time_zone)
        return {"format": "fleet-release/1", "room": room, "held": held}

    @router.get("/diff")
    async def diff(
        caller: Called,
        room: Annotated[list[str], Query()] = [],  # noqa: B006  # FastAPI copies the default
        group: str | None = None,
        position: str | None = None,
    ) -> Document:
        rooms = room or [name for name in services.desired.venue().rooms if caller.sees(name)]
        if not rooms and caller.role == "operator":
            raise NotFound("none of the rooms that were given to you is there any more")
        comparison = await services.lookout.differences(rooms=rooms, group=group, position=position)
        return diff_documents.diff(comparison, rooms, services.watching.standing())

    return router
