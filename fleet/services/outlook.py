"""A fresh look at devices: read them all, side by side, and set what they report beside what is wanted."""

from __future__ import annotations

import asyncio
from collections.abc import Collection, Mapping
from dataclasses import replace
from datetime import datetime

from fleet.drivers.protocol import Driver
from fleet.errors import BrokerDown, DeviceSilent, FleetError
from fleet.model.difference import Comparison, NotChecked, Unchecked
from fleet.model.inventory import DeviceRecord
from fleet.model.state import Reported
from fleet.model.venue import Position
from fleet.model.venue_time import on_the_clock
from fleet.reconcile.agreed import marked
from fleet.reconcile.compare import compare
from fleet.reconcile.exchanged import exchange_notes
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.scope import place, select
from fleet.reconcile.wanted_devices import wanted_devices
from fleet.services.chosen_levels import ChosenLevels
from fleet.services.desired import Desired
from fleet.services.guest_book import GuestBook
from fleet.services.holds import Holds
from fleet.services.inventory import Inventory
from fleet.services.slot_writes import SlotWrites

AT_ONCE = 50


class Lookout:
    """Reads devices and compares them with the desired state in force."""

    def __init__(
        self,
        driver: Driver,
        inventory: Inventory,
        desired: Desired,
        holds: Holds,
        guest_book: GuestBook,
        slot_writes: SlotWrites,
        chosen: ChosenLevels,
    ) -> None:
        self._driver = driver
        self._holds = holds
        self._guest_book = guest_book
        self._slot_writes = slot_writes
        self._chosen = chosen
        self._inventory = inventory
        self._desired = desired

    async def look(self, devices: Collection[str], modes: Mapping[str, str] | None = None) -> Outlook:
        """Read these devices afresh and work out what each should be, with some rooms in other modes than they are in.

        Raises `BrokerDown` where no link is up.
        """
        if trouble := self._inventory.link_trouble:
            remedy = "The daemon tries again by itself."
            raise BrokerDown(f"the devices cannot be reached: {trouble}", remedy=remedy)
        reported, unreachable = await self.read(devices)
        holds = await self._holds.current()
        sessions = await self._guest_book.current()
        time_zone = self._desired.venue().time_zone
        return replace(
            self._beside(reported, unreachable, devices, modes),
            held={room: f"{h.who}, until {on_the_clock(h.until, time_zone)}" for room, h in holds.items()},
            guests={room: f"{s.guest}, until {on_the_clock(s.until, time_zone)}" for room, s in sessions.items()},
            too_soon=await self._slot_writes.too_soon(),
            holders={room: h.who for room, h in holds.items()},
            levels=await self._chosen.current(),
            level_limits_db={room: s.ceiling_db for room, s in sessions.items() if s.ceiling_db is not None},
            mutes=self._desired.mutes,
        )

    def glance(self, devices: Collection[str]) -> Outlook:
        """The same from what the devices last told, without asking them: quick, and as old as it is."""
        reported: dict[str, Reported] = {}
        unreachable: dict[str, str] = {}
        records = {r.id: r for r in self._inventory.records()}
        for device in devices:
            last = self._inventory.reported(device)
            if last is None or not self._inventory.online(device) or self._inventory.silent_since(device) is not None:
                unreachable[device] = f"{device} {self._absence(records.get(device))}"
            else:
                reported[device] = last
        return self._beside(reported, unreachable, devices)

    def beside(self, reported: Mapping[str, Reported], unreachable: Mapping[str, str]) -> Outlook:
        """A reading that somebody has, beside what is desired. Who holds a room is left out."""
        return self._beside(reported, unreachable, reported.keys() | unreachable.keys())

    def _beside(
        self,
        reported: Mapping[str, Reported],
        unreachable: Mapping[str, str],
        devices: Collection[str],
        modes: Mapping[str, str] | None = None,
    ) -> Outlook:
        venue = self._desired.venue(modes)
        descriptions = self._inventory.descriptions()
        described = sorted(set(devices) & set(descriptions))
        wants, wrong = wanted_devices(venue, described, descriptions, self._driver.representable)
        able = {d: self._driver.abilities(r.description) for d, r in reported.items()}
        return Outlook(
            venue=venue,
            desired_sha256=self._desired.in_force().sha256,
            wants=wants,
            reported=reported,
            unreachable=unreachable,
            conflicting=self._inventory.conflicts(),
            unsuitable={d: str(e) for d, e in wrong.items()},
            plainly=frozenset(d for d, a in able.items() if not a.stages),
            timerless=frozenset(d for d, a in able.items() if not a.revert_timer),
            agreed=self._desired.agreed(),
        )

    async def read(self, devices: Collection[str]) -> tuple[dict[str, Reported], dict[str, str]]:
        """What each device reports now; those that did not answer, with the reason. One failure hides no other."""
        gate = asyncio.Semaphore(AT_ONCE)
        reported: dict[str, Reported] = {}
        unreachable: dict[str, str] = {}

        async def read_one(device: str) -> None:
            async with gate:
                try:
                    reported[device] = await self._read(device)
                except FleetError as error:
                    unreachable[device] = str(error)

        async with asyncio.TaskGroup() as tasks:
            for device in sorted(devices):
                tasks.create_task(read_one(device), name=f"read {device}")
        return reported, unreachable

    async def differences(
        self, *, rooms: Collection[str] = (), group: str | None = None, position: str | None = None
    ) -> Comparison:
        """Compare positions (of all rooms where none is named) with what their devices report now.

        Raises `NotFound` for unknown names and `Refused` where no desired state is loaded.
        """
        venue = self._desired.venue()
        names = sorted(rooms or venue.rooms)
        positions = [p for name in names for p in select(venue, name, group=group, position=position)]
        outlook = await self.look({p.device for p in positions if not p.life_safety})
        return self.compare(outlook, positions)

    def compare(self, outlook: Outlook, positions: Collection[Position]) -> Comparison:
        """Compare what can be compared of these positions, and say of every other one why it was not."""
        not_checked = tuple(n for p in positions if (n := self._not_checked(p, outlook)) is not None)
        left = {(n.room, n.position) for n in not_checked}
        checked = [p for p in positions if place(p) not in left]
        places = {place(p) for p in checked}
        devices = sorted({p.device for p in checked})
        found = compare([(outlook.wants[d], outlook.reported[d]) for d in devices])
        found = marked(found, outlook.agreed, checked, outlook.reported)
        return Comparison(
            checked=tuple(place(p) for p in checked),
            differences=tuple(d for d in found.differences if (d.room, d.position) in places),
            notes=tuple(n for n in (*found.notes, *exchange_notes(outlook, found)) if (n.room, n.position) in places),
            not_checked=not_checked,
        )

    def _not_checked(self, p: Position, outlook: Outlook) -> NotChecked | None:
        reason: Unchecked
        if p.life_safety:
            reason, words = "life_safety", f"{p.device} serves life safety and is left alone"
        elif p.device in outlook.conflicting:
            reason, words = "conflicting", outlook.conflicting[p.device]
        elif p.device in outlook.unreachable:
            reason = "unreachable" if self._inventory.online(p.device) else "missing"
            words = outlook.unreachable[p.device]
        elif p.device in outlook.unsuitable:
            reason, words = "unsuitable", outlook.unsuitable[p.device]
        else:
            return None
        return NotChecked(room=p.room, position=p.name, device=p.device, reason=reason, words=words)

    async def _read(self, device: str) -> Reported:
        description = self._inventory.known(device).record.description if self._inventory.has_told(device) else None
        if description is None or not self._inventory.online(device):
            record = next((r for r in self._inventory.records() if r.id == device), None)
            raise DeviceSilent(device, self._absence(record))
        try:
            reported = await self._driver.read(description)
        except BrokerDown:  # not its doing
            raise
        except FleetError:
            self._inventory.unanswered(device)
            raise
        self._inventory.take(reported)
        return reported

    def _absence(self, record: DeviceRecord | None) -> str:
        silent_since = self._inventory.silent_since(record.id) if record is not None else None
        return absence(record, self._desired.zone.key, silent_since)


def absence(record: DeviceRecord | None, time_zone: str, silent_since: datetime | None = None) -> str:
    """Why nothing is known of a device now, in words; they are kept, and so give the day and the zone too."""
    if record is None:
        return "was never seen"
    if record.description is None:
        return "was announced, but has not told what it is"
    if silent_since is not None:
        seen = on_the_clock(record.last_seen, time_zone)
        return f"does not answer since {on_the_clock(silent_since, time_zone)}; last seen {seen}"
    return f"is missing; last seen {on_the_clock(record.last_seen, time_zone)}"
