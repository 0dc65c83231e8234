"""The drift watch: what devices tell is compared at once, and what began by itself is held, told and remembered."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from fleet.model.episode import Episode
from fleet.model.venue import Venue
from fleet.reconcile.drift_events import DriftEvent
from fleet.reconcile.drift_facts import AFTER_OFF_HOURS, Facts, Look, Reason, Watch
from fleet.reconcile.drifting import due, only, watch_on
from fleet.reconcile.hours import just_within
from fleet.reconcile.room_standing import RoomStanding
from fleet.services.changes import Changes
from fleet.services.desired import Desired
from fleet.services.guest_book import GuestBook
from fleet.services.inventory import Inventory
from fleet.services.notices import Notices
from fleet.services.outlook import Lookout
from fleet.services.watch_asking import WatchAsking
from fleet.services.watch_looks import WatchLooks
from fleet.services.watch_memory import WatchMemory
from fleet.services.watch_ours import WatchOurs
from fleet.services.watch_standing import standing_of
from fleet.services.watch_telling import WatchTelling
from fleet.store.protocol import Store

AT_ONCE: Final = 200
"""Devices that are compared at once, so that others are not kept waiting."""
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
        self._guest_book = guest_book
        self._clock = clock
        self._looks = WatchLooks(inventory, desired, lookout, guest_book)
        self._ours = WatchOurs(changes, inventory, clock, self._looks.rooms_of)
        self._asking = WatchAsking(inventory, lookout, changes)
        self._memory = WatchMemory(store)
        self._telling = WatchTelling(notices, desired, inventory)
        self._watch: Watch | None = None
        self._wanting: tuple[object, ...] = ()
        self._told: dict[str, datetime] = {}
        """Devices that told something new, and when."""
        self._stepped: datetime | None = None
        self._listeners: list[Callable[[DriftEvent], None]] = []
        inventory.watch(self._heard)

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
        return standing_of(room, self._desired, self._inventory, self.episodes(room or None), self._clock())

    async def tick(self) -> None:
        """Compare what told something new, and tell what came of it."""
        now = self._clock()
        if self._desired.version is None:
            return
        await self._open(now)
        await self._take_wanting(now)
        self._ask(now)
        for chunk in _chunks(self._ready(now)):
            if self._wanted_now() != self._wanting:
                return  # what is wanted became another meanwhile, and that is taken first
            await self._step(chunk, now)
        if self._is_due(now):
            await self._step((), now)
        assert self._watch is not None
        if announced := await self._telling.tell(now, self._watch.episodes):
            await self._announced(announced)

    async def close(self) -> None:
        """Ask no device any more."""
        await self._asking.close()

    async def _open(self, now: datetime) -> None:
        if self._watch is not None:
            return
        await self._guest_book.sessions()
        watch = await self._memory.read(now)
        venue = self._desired.venue()
        self._wanting = self._wanted_now()
        self._looks.of_venue(venue)
        self._looks.remembers(self._memory.known(_wanted(self._desired.in_force().sha256, venue)))
        await self._ours.take_up(self._memory.looked_after)
        self._asking.take_up(watch.episodes.values())
        self._telling.take_up(watch.episodes.values(), now)
        self._take(*only(watch, *self._looks.places, now), now)

    def _heard(self, device: str) -> None:
        now = self._clock()
        self._told.update(dict.fromkeys([device] if device else self._looks.devices, now))
        if not device:
            self._stepped = None

    async def _take_wanting(self, now: datetime) -> None:
        """Where another version or mode is in force, what differs by that is no drift: go by what was last seen.

        So it is where somebody agreed to something, or does no longer.
        """
        wanting = self._wanted_now()
        if wanting == self._wanting:
            return
        assert self._watch is not None
        reason: Reason = "agreed" if wanting[:2] == self._wanting[:2] else "version"
        self._wanting = wanting
        self._looks.of_venue(self._desired.venue())
        self._take(*only(self._watch, *self._looks.places, now), now)
        for chunk in _chunks(sorted(self._looks.devices)):
            self._judge(self._looks.as_last_seen(chunk, reason, now), (), now)
            await asyncio.sleep(0)
        await self._write(self._looks.looked_at)
        self._look_at_all(now)

    def _wanted_now(self) -> tuple[object, ...]:
        return (self._desired.version, self._desired.modes, self._desired.agreed())

    def _look_at_all(self, now: datetime) -> None:
        for device in self._looks.devices:
            self._told.setdefault(device, now)

    def _ask(self, now: datetime) -> None:
        """At times look at all devices again; ask those that told nothing for long, or did not answer."""
        resync = self._asking.resync_due(now)
        if resync:
            self._look_at_all(now)
        self._asking.ask(self._looks.devices, now, resync=resync)

    def _ready(self, now: datetime) -> list[str]:
        """Devices to look at now; those of a change wait for its end."""
        for device, ended in self._ours.just_ended().items():
            self._told.setdefault(device, ended)
        return self._ours.done_with(self._told, now)

    def _is_due(self, now: datetime) -> bool:
        if self._stepped is None or now - self._stepped >= STEP_EVERY:
            return True
        assert self._watch is not None
        at = due(self._watch)
        return at is not None and now >= at and now - self._stepped >= AGAIN_AFTER

    async def _step(self, devices: Sequence[str], now: datetime) -> None:
        """Look at these devices, and go on to now."""
        at = {device: self._told.pop(device) for device in devices}
        reasons = self._ours.reasons(at)
        looks = self._looks.now(devices, reasons, at) if devices and not self._inventory.link_trouble else []
        self._judge(looks, devices, now)
        await self._write({look.room for look in looks})

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
        await self._memory.write(self._watch, looked_at, wanted, self._ours.looked_after())


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
