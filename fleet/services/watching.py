"""The drift watch: what devices tell is compared at once, and what began by itself is held, told and remembered."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from fleet.model.change import ChangeRecord
from fleet.model.episode import Episode
from fleet.model.standing import OurMute
from fleet.model.venue import Venue
from fleet.reconcile.drift_facts import AFTER_OFF_HOURS, DriftEvent, Facts, Look, Reason, Watch
from fleet.reconcile.drifting import due, only, watch_on
from fleet.reconcile.hours import just_within
from fleet.reconcile.muted import silent_by_us
from fleet.reconcile.room_standing import RoomStanding
from fleet.services.changes import Changes
from fleet.services.desired import Desired
from fleet.services.guest_book import GuestBook
from fleet.services.inventory import Inventory
from fleet.services.notices import Notices
from fleet.services.outlook import Lookout
from fleet.services.watch_looks import WatchLooks
from fleet.services.watch_memory import WatchMemory
from fleet.services.watch_telling import WatchTelling
from fleet.store.protocol import Store
from fleet.tasks import end

AT_ONCE: Final = 200
"""Devices that are compared at once, so that others are not kept waiting."""
OURS_FOR: Final = timedelta(seconds=1.5)
"""A device may tell for so long after the end of a change what the change did."""
RESYNC_EVERY: Final = timedelta(minutes=10)
SILENT_FOR: Final = timedelta(hours=1)
"""What a device tells by itself can be lost: one that told nothing for so long is asked."""
STEP_EVERY: Final = timedelta(seconds=30)
"""Off-hours end without a word of any device."""
AGAIN_AFTER: Final = timedelta(seconds=1)


class Watching:
    """Watches all devices that have a position."""

    def __init__(
        self,
        *,
        store: Store,
        inventory: Inventory,
        desired: Desired,
        lookout: Lookout,
        changes: Changes,
        notices: Notices,
        guest_book: GuestBook,
        clock: Callable[[], datetime],
    ) -> None:
        self._inventory = inventory
        self._desired = desired
        self._lookout = lookout
        self._changes = changes
        self._guest_book = guest_book
        self._clock = clock
        self._looks = WatchLooks(inventory, desired, lookout, guest_book)
        self._memory = WatchMemory(store)
        self._telling = WatchTelling(notices, desired, inventory)
        self._watch: Watch | None = None
        self._wanting: tuple[object, ...] = ()
        self._told: dict[str, datetime] = {}
        """Devices that told something new, and when."""
        self._ours: dict[str, datetime | None] = {}
        """Devices of a change, and when it ended."""
        self._left: set[str] = set()
        """Devices of a change that ended before this daemon began, which nobody has looked at since."""
        self._ended: dict[str, str] = {}
        """By room, the last change that ended."""
        self._stepped: datetime | None = None
        self._resynced: datetime | None = None
        self._asking: asyncio.Task[object] | None = None
        self._listeners: list[Callable[[DriftEvent], None]] = []
        inventory.watch(self._heard)
        changes.listen(self._moved)

    def listen(self, listener: Callable[[DriftEvent], None]) -> None:
        """Tell `listener` what drifts, ends, is missing or back as soon as it is seen; notices wait for one another."""
        self._listeners.append(listener)

    def episodes(self, room: str | None = None) -> tuple[Episode, ...]:
        """What is not as it should be by itself, in all rooms or one, last begun first."""
        held = self._watch.episodes.values() if self._watch is not None else ()
        found = [e for e in held if e.stands and (room is None or room in e.rooms)]
        return tuple(sorted(found, key=lambda e: (e.since, e.key), reverse=True))

    def standing(self, room: str = "") -> RoomStanding:
        """How a room stands over time, or all of them: for those who compare it. Raises `Refused` without a venue."""
        venue = self._desired.venue()
        positions = venue.rooms[room].positions.values() if room else venue.positions()
        inventory = self._inventory
        away = {p.device for p in positions if not inventory.online(p.device) and inventory.has_told(p.device)}
        return RoomStanding(
            room=room,
            zone=ZoneInfo(venue.time_zone),
            now=self._clock(),
            link_trouble=inventory.link_trouble,
            link_since=inventory.link_since,
            episodes=self.episodes(room or None),
            last_seen={device: inventory.known(device).record.last_seen for device in sorted(away)},
            mutes=self._mutes(room, venue),
        )

    def _mutes(self, room: str, venue: Venue) -> tuple[OurMute, ...]:
        ours = [m for m in self._desired.mutes.values() if room in ("", m.room)]
        last = {m.device: self._inventory.reported(m.device) for m in ours}
        return silent_by_us(ours, venue, {device: one for device, one in last.items() if one is not None})

    async def tick(self) -> None:
        """Compare what told something new, and tell what came of it."""
        now = self._clock()
        if self._desired.version is None:
            return
        await self._open(now)
        await self._take_wanting(now)
        if self._resynced is None or now - self._resynced >= RESYNC_EVERY:
            self._resync(now)
        for chunk in _chunks(self._ready(now)):
            await self._step(chunk, now)
        if self._is_due(now):
            await self._step((), now)
        assert self._watch is not None
        if announced := await self._telling.tell(now, self._watch.episodes):
            await self._announced(announced)

    async def close(self) -> None:
        """Ask no device any more."""
        if self._asking is not None:
            await end(self._asking)

    async def _open(self, now: datetime) -> None:
        if self._watch is not None:
            return
        await self._guest_book.sessions()
        watch = await self._memory.read(now)
        venue = self._desired.venue()
        self._wanting = self._wanted_now()
        self._looks.of_venue(venue)
        self._looks.remembers(self._memory.known(_wanted(self._desired.in_force().sha256, venue)))
        await self._take_up_changes()
        self._telling.take_up(watch.episodes.values(), now)
        self._take(*only(watch, *self._looks.places, now), now)

    async def _take_up_changes(self) -> None:
        """What a change left is no drift, also where a daemon stopped before it looked."""
        for record in await self._changes.records():
            devices = {plan.device for plan in record.plan.devices}
            for room in self._looks.rooms_of(devices) if record.state.ended else ():
                if self._ended.setdefault(room, record.id) == record.id:
                    self._left |= set() if self._memory.looked_after(room, record.id) else devices

    def _heard(self, device: str) -> None:
        now = self._clock()
        self._told.update(dict.fromkeys([device] if device else self._looks.devices, now))
        if not device:
            self._stepped = None

    def _moved(self, record: ChangeRecord) -> None:
        ended = self._clock() if record.state.ended else None
        devices = [plan.device for plan in record.plan.devices]
        self._ours.update(dict.fromkeys(devices, ended))
        if record.state.ended:
            self._ended.update(dict.fromkeys(self._looks.rooms_of(devices), record.id))

    async def _take_wanting(self, now: datetime) -> None:
        """Where another version or mode is in force, what differs by that is no drift: go by what was last seen."""
        wanting = self._wanted_now()
        if wanting == self._wanting:
            return
        assert self._watch is not None
        self._wanting = wanting
        self._looks.of_venue(self._desired.venue())
        self._take(*only(self._watch, *self._looks.places, now), now)
        for chunk in _chunks(sorted(self._looks.devices)):
            self._judge(self._looks.as_last_seen(chunk, now), (), now)
            await asyncio.sleep(0)
        await self._write(self._looks.looked_at)
        self._look_at_all(now)

    def _wanted_now(self) -> tuple[object, ...]:
        return (self._desired.version, self._desired.modes, self._desired.agreed())

    def _look_at_all(self, now: datetime) -> None:
        for device in self._looks.devices:
            self._told.setdefault(device, now)

    def _resync(self, now: datetime) -> None:
        """Look at all devices again, and ask those that told nothing for long."""
        self._resynced = now
        self._look_at_all(now)
        asking = self._asking is not None and not self._asking.done()
        if asking or self._inventory.link_trouble:
            return
        records = [self._inventory.known(d).record for d in self._looks.devices if self._inventory.online(d)]
        if silent := [r.id for r in records if now - r.last_seen >= SILENT_FOR]:
            self._asking = asyncio.create_task(self._lookout.read(silent), name="asking silent devices")

    def _ready(self, now: datetime) -> list[str]:
        """Devices to look at now; those of a change wait for its end."""
        held = self._changes.devices_in_change()
        for device, ended in self._ours.items():
            if ended is not None:
                self._told.setdefault(device, ended)
        return sorted(device for device in self._told if device not in held and not self._just_ours(device, now))

    def _just_ours(self, device: str, now: datetime) -> bool:
        ended = self._ours.get(device)
        return ended is not None and now - ended < OURS_FOR

    def _is_due(self, now: datetime) -> bool:
        if self._stepped is None or now - self._stepped >= STEP_EVERY:
            return True
        assert self._watch is not None
        at = due(self._watch)
        return at is not None and now >= at and now - self._stepped >= AGAIN_AFTER

    async def _step(self, devices: Sequence[str], now: datetime) -> None:
        """Look at these devices, and go on to now."""
        at = {device: self._told.pop(device) for device in devices}
        reasons: dict[str, Reason] = {}
        for device in devices:
            ended = self._ours.pop(device, None)
            if ended is not None and at[device] <= ended + OURS_FOR and not self._at_its_panel(device):
                reasons[device] = "change"
            if device in self._left and self._inventory.online(device):
                self._left.remove(device)
                reasons[device] = "change"
        looks = self._looks.now(devices, reasons, at) if devices and not self._inventory.link_trouble else []
        self._judge(looks, devices, now)
        await self._write({look.room for look in looks})

    def _at_its_panel(self, device: str) -> bool:
        """Whether a device hints that what it told last was done by a hand."""
        state = self._inventory.known(device).state if self._inventory.online(device) else None
        return state is not None and state.cause == "panel"

    def _judge(self, looks: Collection[Look], devices: Iterable[str], now: datetime) -> None:
        assert self._watch is not None
        facts = Facts(
            now=now,
            link_trouble=self._inventory.link_trouble,
            looks=looks,
            signs=[sign for device in devices if (sign := self._looks.sign(device)) is not None],
            off=_off(self._desired.venue(), now),
        )
        self._stepped = now
        self._take(*watch_on(self._watch, facts), now)

    def _take(self, watch: Watch, events: Collection[DriftEvent], now: datetime) -> None:
        self._watch = watch
        self._telling.take(events, now)
        for event in events:
            for listener in self._listeners:
                listener(event)

    async def _announced(self, keys: Collection[str]) -> None:
        assert self._watch is not None
        episodes = {
            key: replace(episode, announced=True) if key in keys else episode
            for key, episode in self._watch.episodes.items()
        }
        self._watch = replace(self._watch, episodes=episodes)
        await self._write(())

    async def _write(self, rooms: Collection[str]) -> None:
        assert self._watch is not None
        looked_at = {room: self._looks.looked_at[room] for room in rooms if room in self._looks.looked_at}
        wanted = _wanted(self._desired.in_force().sha256, self._desired.venue()) if looked_at else {}
        waiting = self._looks.rooms_of({*self._ours, *self._left})
        after = {room: change for room, change in self._ended.items() if room not in waiting}
        await self._memory.write(self._watch, looked_at, wanted, after)


def _wanted(sha256: str, venue: Venue) -> dict[str, str]:
    """What each room is to be, as a word that changes when that does."""
    return {name: f"{sha256} {room.mode}" for name, room in venue.rooms.items()}


def _off(venue: Venue, now: datetime) -> frozenset[str]:
    """Rooms whose devices may be without power."""
    zone = ZoneInfo(venue.time_zone)
    rooms = (room for room in venue.rooms.values() if room.off_hours)
    return frozenset(room.name for room in rooms if just_within(room.off_hours, zone, now, AFTER_OFF_HOURS))


def _chunks(devices: Sequence[str]) -> Iterator[Sequence[str]]:
    return (devices[start : start + AT_ONCE] for start in range(0, len(devices), AT_ONCE))
