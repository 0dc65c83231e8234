"""A room brought back to how it was: to what was desired at a moment, or to what a snapshot found."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from fleet.desired.load import load
from fleet.drivers.protocol import Driver
from fleet.errors import BadFiles, BadInput, NotFound, Refused
from fleet.model.change import ChangeState
from fleet.model.days import HOUSE_MODE
from fleet.model.names import shown
from fleet.model.plan import Plan
from fleet.model.typed_times import the_moment
from fleet.model.venue import Room
from fleet.model.venue_time import end_of_day, moment_of, on_the_clock
from fleet.reconcile.as_of import plan_as_desired, plan_as_found, room_then
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.scope import Scope, room_of
from fleet.reconcile.sealing import sealed
from fleet.reconcile.wanted_devices import wanted_devices
from fleet.services.desired import Desired
from fleet.services.found_then import found_then
from fleet.services.inventory import Inventory
from fleet.store.protocol import Store
from fleet.store.records import StoredVersion

_DATE: Final = re.compile(r"\d{4}-\d{2}-\d{2}")
_REMEDY: Final = "Give a date (2031-05-17), a time (2031-05-17T20:30) or a snapshot (`fleet snapshot show`)."
WHERE: Final = "--as-of"
MOST_CHANGES: Final = 200
"""Changes that are looked through for the mode that a room was in."""


class AsOf:
    """Plans how a room comes back to an earlier moment. Times are those of the venue's clock."""

    def __init__(
        self, store: Store, driver: Driver, inventory: Inventory, desired: Desired, clock: Callable[[], datetime]
    ) -> None:
        self._store = store
        self._driver = driver
        self._inventory = inventory
        self._desired = desired
        self._clock = clock

    async def plan(self, outlook: Outlook, scope: Scope, text: str) -> Plan:
        """The plan for a scope of one room; `text` is a date (its end counts), a time, or the id of a snapshot.

        Raises `BadInput` for text that is none or a moment to come, `NotFound` for an unknown snapshot, `Refused`
        where there was no such room, or nothing can be brought back.
        """
        zone = ZoneInfo(outlook.venue.time_zone)
        room = room_of(outlook.venue, scope.rooms[0])
        at = asked_moment(text, zone, self._clock())
        if at is None:
            return await self._as_found(outlook, scope, room, text)
        return await self._as_desired(outlook, scope, room, at, text)

    async def _as_found(self, outlook: Outlook, scope: Scope, room: Room, text: str) -> Plan:
        snapshot = await self._store.snapshot(text)
        if snapshot is None:
            raise NotFound(f"{shown(text)!r} is no date, and there is no such snapshot", remedy=_REMEDY)
        then = await found_then(self._store, snapshot, room)
        taken = on_the_clock(snapshot.body.at, outlook.venue.time_zone)
        plan = plan_as_found(outlook, scope, then, when=f"snapshot {snapshot.id}")
        return _told(plan, room.name, f"snapshot {snapshot.id} was taken {taken} by {snapshot.body.taken_by}")

    async def _as_desired(self, outlook: Outlook, scope: Scope, room: Room, at: datetime, text: str) -> Plan:
        time_zone = outlook.venue.time_zone
        stored = await self._version_at(at, time_zone)
        then = await self._room_then(room.name, stored, at, time_zone)
        rebound, absent = room_then(room, then)
        devices = sorted({p.device for p in room.positions.values()} & set(self._inventory.descriptions()))
        wants, wrong = wanted_devices(
            replace(outlook.venue, rooms={room.name: rebound}),
            devices,
            self._inventory.descriptions(),
            self._driver.representable,
        )
        unknown = {d: f"{d} has not told what it can do" for d in outlook.reported if d not in devices}
        reasons = {**unknown, **{d: str(error) for d, error in wrong.items()}}
        plan = plan_as_desired(outlook, scope, wants, reasons, absent, when=text)
        mode = "" if then.mode == HOUSE_MODE else f", in mode {then.mode}"
        loaded = f"version {stored.number}, loaded {on_the_clock(stored.at, time_zone)} by {stored.who}, was in force"
        return _told(plan, room.name, f"{loaded}{mode}")

    async def _version_at(self, at: datetime, time_zone: str) -> StoredVersion:
        stored = await self._store.version_at(at)
        if stored is None:
            first = await self._store.first_version()
            since = f" before {on_the_clock(first.at, time_zone)}" if first is not None else ""
            raise Refused(f"no version of the desired state was in force{since}", remedy="Give a later date.")
        return stored

    async def _room_then(self, name: str, stored: StoredVersion, at: datetime, time_zone: str) -> Room:
        told = f"version {stored.number} of {on_the_clock(stored.at, time_zone)}"
        try:
            venue = load(stored.files).venue
        except BadFiles as error:
            raise Refused(f"{told} cannot be read any more: {error}") from error
        if name not in venue.rooms:
            raise Refused(f"there was no room {name} in {told}", remedy="Give another date.")
        room = venue.rooms[name]
        mode = await self._mode_then(name, at) if room.modes else HOUSE_MODE
        return room.in_mode(mode if mode in room.modes else HOUSE_MODE)

    async def _mode_then(self, room: str, at: datetime) -> str:
        """The mode that a room was in, by the last change that was kept until then and was about it."""
        for record in await self._store.changes(MOST_CHANGES):
            kept = record.state is ChangeState.KEPT and record.ended is not None and record.ended <= at
            if kept and room in record.plan.then.modes:
                return record.plan.then.modes[room]
        return HOUSE_MODE


def asked_moment(text: str, zone: ZoneInfo, now: datetime) -> datetime | None:
    """The moment of a time, or of the end of a date, on a venue's clock; `None` for text that is neither.

    Raises `BadInput` for a moment to come, a date that no calendar has, and a time that is not on the clock just once.
    """
    try:
        if _DATE.fullmatch(text):
            day = date.fromisoformat(text)
            start, at = moment_of(day, time.min, zone), end_of_day(day, zone)
        else:
            given = datetime.fromisoformat(text)
            start = at = given if given.tzinfo is not None else the_moment(given, zone, WHERE)
    except (ValueError, OverflowError) as error:
        if _DATE.match(text):
            raise BadInput(f"{shown(text)!r} is no time: {error}", where=WHERE, remedy=_REMEDY) from None
        return None
    if start > now:
        raise BadInput(f"{shown(text)} is still to come", where=WHERE, remedy=_REMEDY)
    last = at if start == at else at - timedelta(microseconds=1)
    return last.astimezone(now.tzinfo)


def _told(plan: Plan, room: str, source: str) -> Plan:
    """The plan with where it comes from, and how it is made to last or undone."""
    afterwards = (
        f"where the version in force wants something else, {room} differs from it now: `fleet recall {room}` brings "
        f"that back; to let this last, write it into the room's file (`fleet files --to FOLDER`), load that "
        f"(`fleet load FOLDER`) and `fleet store {room}`",
    )
    return sealed(replace(plan, notes=(source, *plan.notes), afterwards=afterwards))
