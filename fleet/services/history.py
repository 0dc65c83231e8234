"""The history of a room's house curve: when what is desired of it changed, and when it was stored and recalled last."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass
from typing import Final

from fleet.desired.load import load
from fleet.desired.room_texts import room_texts
from fleet.drivers.protocol import Driver
from fleet.errors import BadFiles
from fleet.model.change import ChangeRecord, ChangeState
from fleet.model.venue import Venue
from fleet.reconcile.room_history import Changed, changes_of_room
from fleet.reconcile.scope import room_of
from fleet.services.desired import Desired
from fleet.services.inventory import Inventory
from fleet.store.protocol import Store
from fleet.store.records import StoredVersion

PAGE: Final = 25
"""Versions that are read at once."""
MOST_CHANGES: Final = 200
"""Changes that are looked through for the last store and the last recall."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomVersion:
    """A version in which what is desired of a room changed, and how, against the version before it."""

    version: StoredVersion
    changes: tuple[Changed, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomHistory:
    """Versions newest first; `more` where older ones were not looked at. The last store and recall that were kept."""

    room: str
    time_zone: str
    versions: tuple[RoomVersion, ...]
    more: bool
    stored: ChangeRecord | None
    recalled: ChangeRecord | None


class History:
    """Tells the history of rooms."""

    def __init__(self, store: Store, driver: Driver, inventory: Inventory, desired: Desired) -> None:
        self._store = store
        self._driver = driver
        self._inventory = inventory
        self._desired = desired

    async def of_room(self, room: str, limit: int) -> RoomHistory:
        """The last `limit` versions that changed a room. Raises `NotFound` for a room that is not in force.

        Versions whose files of the room are the same text are not read.
        """
        venue = self._desired.venue()
        name = room_of(venue, room).name
        found: list[RoomVersion] = []
        more = False
        newer: StoredVersion | None = None
        async for version in self._versions():
            if newer is not None and (changed := self._changed(name, version, newer)):
                found.append(RoomVersion(version=newer, changes=changed))
            newer = version
            if len(found) == limit:
                more = True
                break
        if newer is not None and not more and (changed := self._changed(name, None, newer)):
            found.append(RoomVersion(version=newer, changes=changed))
        stored, recalled = await self._last(name, "store"), await self._last(name, "recall")
        return RoomHistory(
            room=name,
            time_zone=venue.time_zone,
            versions=tuple(found),
            more=more,
            stored=stored,
            recalled=recalled,
        )

    async def _versions(self) -> AsyncIterator[StoredVersion]:
        below: int | None = None
        while page := await self._store.versions(PAGE, below=below):
            for version in page:
                yield version
            below = page[-1].number

    def _changed(self, room: str, before: StoredVersion | None, after: StoredVersion) -> tuple[Changed, ...]:
        """What a version changed of a room, nothing where the version does not have it."""
        texts = room_texts(after.files, room)
        was = room_texts(before.files, room) if before is not None else {}
        if texts == was:
            return ()
        new = _venue(texts, after.files)
        old = _venue(was, before.files) if before is not None else None
        if new is None or (before is not None and old is None):
            return (Changed(position="", words="its files changed, and cannot be read any more"),)
        if room not in new.rooms:
            return (Changed(position="", words="the room is gone"),) if old is not None and room in old.rooms else ()
        descriptions = self._inventory.descriptions()
        first = old.rooms.get(room) if old is not None else None
        return changes_of_room(first, new.rooms[room], new, descriptions, self._driver.representable)

    async def _last(self, room: str, kind: str) -> ChangeRecord | None:
        """The last change of a kind that was kept and was about a room."""
        for record in await self._store.changes(MOST_CHANGES):
            if record.plan.kind == kind and record.state is ChangeState.KEPT and room in record.plan.rooms:
                return record
        return None


def _venue(own: Mapping[str, str], files: Mapping[str, str]) -> Venue | None:
    """The venue of a room's own files; of all, where those do not stand alone: a mode may go together with a room."""
    for texts in (own, files):
        with contextlib.suppress(BadFiles):
            return load(texts).venue
    return None
