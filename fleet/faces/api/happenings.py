"""What happens, told as events of the live view.

Notices, changes and drift are told by the services. Rooms and devices are looked at as long as somebody reads: what
became of them in the meantime is told to the first who comes back. Only rooms that something happened in are compared.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager
from datetime import datetime
from typing import Final

from fleet.errors import FleetError
from fleet.faces.api.events import Events
from fleet.faces.change_documents import change_row
from fleet.faces.diff_documents import sentence
from fleet.faces.documents import Document
from fleet.faces.drift_documents import episode
from fleet.faces.notices.document import notice_document
from fleet.model.change import ChangeRecord
from fleet.model.inventory import DeviceStatus
from fleet.model.notice import Notice
from fleet.model.venue import Room, Venue
from fleet.reconcile.drift_events import (
    Answers,
    Back,
    Calmed,
    Drifted,
    DriftEvent,
    Flapping,
    LinkBack,
    LinkLost,
    Missing,
    Over,
    Silenced,
    Unreachable,
)
from fleet.services.together import Services
from fleet.tasks import end

log = logging.getLogger(__name__)

LOOK_EVERY_S: Final = 0.5
ALL_EVERY: Final = 120
"""After so many looks all rooms are compared: agreed deviations end by the clock alone."""

_WHAT: Final[Mapping[type, str]] = {
    Drifted: "drifted",
    Silenced: "muted",
    Over: "over",
    Missing: "missing",
    Back: "back",
    Unreachable: "unreachable",
    Answers: "answers",
    Flapping: "flapping",
    Calmed: "calm",
    LinkLost: "link lost",
    LinkBack: "link back",
}


class Happenings:
    """Tells events of what these services do and see."""

    def __init__(self, services: Services, events: Events, clock: Callable[[], datetime]) -> None:
        self._services = services
        self._events = events
        self._clock = clock
        self._readers = 0
        self._starting = asyncio.Lock()
        self._looking: asyncio.Task[None] | None = None
        self._statuses: Mapping[str, DeviceStatus] | None = None
        self._rooms: dict[str, Document] = {}
        self._stirred: set[str] = set()
        """Devices that told something since the last look."""
        self._stirred_rooms: set[str] = set()
        self._venue: Venue | None = None
        self._link_trouble = services.inventory.link_trouble
        self._looks = 0
        services.notices.listen(self._notice)
        services.changes.listen(self._change)
        services.watching.listen(self._drift)
        services.inventory.watch(self._heard)

    @asynccontextmanager
    async def read(self) -> AsyncIterator[None]:
        """Look at rooms and devices for as long as this block lasts for anybody."""
        self._readers += 1
        try:
            async with self._starting:
                if self._looking is None:
                    await self._look()
                    self._looking = asyncio.create_task(self._look_on(), name="looking for the live view")
            yield
        finally:
            self._readers -= 1
            if not self._readers and (looking := self._looking) is not None:
                self._looking = None
                await end(looking)

    def _notice(self, notice: Notice) -> None:
        self._events.tell("notice", notice.at, {"notice": notice_document(notice, self._services.desired.zone)})

    def _change(self, record: ChangeRecord) -> None:
        self._stirred |= {d.device for d in record.plan.devices}
        row = change_row(record)
        self._events.tell("change", self._clock(), {"change": {**row, "rooms": list(record.plan.rooms)}})

    def _drift(self, event: DriftEvent) -> None:
        """What is not as it should be by itself began or ended; its rooms say so in their sentences."""
        for one in event.episodes if isinstance(event, Missing) else (event.episode,):
            self._stirred_rooms |= set(one.rooms)
            self._events.tell("drift", self._clock(), {"what": _WHAT[type(event)], "drift": episode(one)})

    def _heard(self, device: str) -> None:
        if device:
            self._stirred.add(device)
        else:
            self._venue = None  # the link to all of them: every room may say something else

    async def _look_on(self) -> None:
        while True:
            await asyncio.sleep(LOOK_EVERY_S)
            try:
                await self._look()
            except FleetError as error:
                log.debug("the live view: %s", error)
            except Exception:
                log.exception("the live view could not look; it looks again")

    async def _look(self) -> None:
        now = self._clock()
        if self._services.inventory.link_trouble != self._link_trouble:
            self._link_trouble = self._services.inventory.link_trouble
            self._events.tell("link", now, {"trouble": self._link_trouble})
        self._look_at_devices(now)
        await self._look_at_rooms(now)

    def _look_at_devices(self, now: datetime) -> None:
        before = self._statuses
        statuses = self._services.inventory.statuses(self._services.desired.bound())
        self._statuses = statuses
        if before is None or statuses == before:
            return
        rooms = self._rooms_of_devices()
        for device in sorted(before.keys() | statuses.keys()):
            was, status = before.get(device), statuses.get(device)
            if was == status:
                continue
            self._stirred.add(device)
            row = {"device": device, "status": status and status.value, "was": was and was.value}
            self._events.tell("device", now, {"device": row | {"rooms": sorted(rooms.get(device, ()))}})

    async def _look_at_rooms(self, now: datetime) -> None:
        """Compare rooms that something stirred, and tell of those whose sentence is another one."""
        stirred, self._stirred = self._stirred, set()
        rooms, self._stirred_rooms = self._stirred_rooms, set()
        self._looks += 1
        if self._services.desired.version is None:
            return
        venue = self._services.desired.venue()
        everything = venue != self._venue or self._looks % ALL_EVERY == 0
        self._venue = venue
        for name, room in sorted(venue.rooms.items()):
            if not everything and name not in rooms and not any(p.device in stirred for p in room.positions.values()):
                continue
            row = self._row(room)
            if self._rooms.get(name) not in (None, row):
                self._events.tell("room", now, {"room": row})
            self._rooms[name] = row
            await asyncio.sleep(0)  # a venue of many rooms holds nothing else up

    def _row(self, room: Room) -> Document:
        positions = list(room.positions.values())
        outlook = self._services.lookout.glance({p.device for p in positions})
        comparison = self._services.lookout.compare(outlook, positions)
        words = sentence(comparison, self._services.watching.standing(room.name))
        return {"room": room.name, "name": room.title, "same": comparison.same(), "words": words}

    def _rooms_of_devices(self) -> Mapping[str, set[str]]:
        rooms: dict[str, set[str]] = {}
        if self._services.desired.version is not None:
            for position in self._services.desired.version.venue.positions():
                rooms.setdefault(position.device, set()).add(position.room)
        return rooms
