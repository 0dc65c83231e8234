"""Schedules: at its times each room comes into the mode that its schedule says, once its devices are up."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from fleet.desired.version import Version
from fleet.model.days import Scheduled
from fleet.model.selecting import ScheduleMark
from fleet.model.venue_time import clock_time
from fleet.reconcile.bundles import Bundle
from fleet.reconcile.scheduling import LATE, WAIT_FOR_DEVICES, Due, clock_was_wrong, missed, next_after
from fleet.services.bringing import Bringing, Reason
from fleet.services.desired import Desired
from fleet.services.inventory import Inventory
from fleet.store.protocol import Store

WHO: Final = "schedule"


class Scheduling:
    """Does what schedules say. A tick is cheap until the next entry is due."""

    def __init__(
        self,
        *,
        store: Store,
        inventory: Inventory,
        desired: Desired,
        bringing: Bringing,
        clock: Callable[[], datetime],
    ) -> None:
        self._store = store
        self._inventory = inventory
        self._desired = desired
        self._bringing = bringing
        self._clock = clock
        self._version: Version | None = None
        self._zone = ZoneInfo("UTC")
        self._schedules: Mapping[str, tuple[Scheduled, ...]] = {}
        self._until: dict[str, datetime] = {}
        """Up to which moment each room's schedule is dealt with, as it is written down."""
        self._waiting: dict[str, datetime] = {}
        """Since when a room waits for its devices to come up."""
        self._last: datetime | None = None
        self._next: datetime | None = None

    async def tick(self) -> None:
        """Do what is due by the clock."""
        version = self._desired.version
        if version is None:
            return
        now = self._clock()
        if version is not self._version:
            await self._take(version, now)
        clock_went_back = self._last is not None and now < self._last
        self._last = now
        if not clock_went_back and not self._waiting and (self._next is None or now < self._next):
            return
        await self._do(now)
        upcoming = [next_after(schedule, self._zone, self._until[room]) for room, schedule in self._schedules.items()]
        self._next = min((moment for moment in upcoming if moment is not None), default=None)

    async def _take(self, version: Version, now: datetime) -> None:
        """Follow a version. A schedule that is new or other than before has no past."""
        zone = ZoneInfo(version.venue.time_zone)
        schedules = {name: room.schedule for name, room in version.venue.rooms.items() if room.schedule}
        stored = await self._store.standing(ScheduleMark)
        self._until = {room: mark.until for room, mark in stored.items()}
        for room in sorted(stored.keys() - schedules.keys()):
            await self._store.drop_standing(ScheduleMark, room)
        for room, schedule in schedules.items():
            other = self._version is not None and (schedule, zone) != (self._schedules.get(room), self._zone)
            if room not in self._until or other:
                await self._deal(room, now)
        for room in self._waiting.keys() - schedules.keys():
            del self._waiting[room]
        self._schedules, self._zone, self._version, self._next = schedules, zone, version, now

    async def _do(self, now: datetime) -> None:
        due: dict[str, Due] = {}
        for room, schedule in self._schedules.items():
            if clock_was_wrong(self._until[room], now):
                await self._deal(room, now)
            found = missed(schedule, self._zone, self._until[room], now)
            if found is None:
                continue
            if found.too_late and room not in self._waiting:
                await self._too_late(room, found.due, now)
                continue
            due[room] = found.due
        for bundle in self._bringing.bundles({room: one.entry.mode for room, one in due.items()}):
            await self._bring(bundle, {room: due[room] for room in bundle.wanted}, now)

    async def _bring(self, bundle: Bundle, due: Mapping[str, Due], now: datetime) -> None:
        """Bring rooms into their modes, wait for their devices, or leave it be."""
        reason = self._reason(due, now)
        over = self._bringing.stands(bundle.brings) or any(self._chosen_since(room, due) for room in bundle.brings)
        if not over:
            waits = not all(self._inventory.online(device) for device in bundle.devices)
            since = min(self._waiting.setdefault(room, now) for room in due)
            if waits and now - since < WAIT_FOR_DEVICES and not await self._bringing.refused(bundle, reason):
                return
            if not waits or now - since >= WAIT_FOR_DEVICES:
                await self._bringing.bring(bundle, reason)
        for room, one in due.items():
            await self._deal(room, one.at)

    def _chosen_since(self, room: str, due: Mapping[str, Due]) -> bool:
        """Whether somebody chose a mode for the room after the moment that an entry is for."""
        standing = self._bringing.standing(room)
        return standing is not None and standing.who != WHO and standing.since > min(one.at for one in due.values())

    async def _too_late(self, room: str, due: Due, now: datetime) -> None:
        for bundle in self._bringing.bundles({room: due.entry.mode}):
            if not self._bringing.stands(bundle.brings) and not self._chosen_since(room, {room: due}):
                minutes = f"{LATE.seconds // 60} minutes"
                words = f"that was missed by more than {minutes}, so it is left as it is"
                reason = self._reason({room: due}, now)
                dealt = {room: ScheduleMark(room=room, until=due.at)}
                await self._bringing.missed(bundle, reason, words, beside=dealt)
        await self._deal(room, due.at)

    async def _deal(self, room: str, until: datetime) -> None:
        """Note that a room's schedule is dealt with up to a moment."""
        await self._store.save_standing(room, ScheduleMark(room=room, until=until))
        self._until[room] = until
        self._waiting.pop(room, None)

    def _reason(self, due: Mapping[str, Due], now: datetime) -> Reason:
        at = clock_time(next(iter(due.values())).at, self._zone, now)
        return Reason(kind="schedule", who=WHO, why=f"scheduled for {at}", words=f"at {at} by its schedule")
