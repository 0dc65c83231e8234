"""The desired state in force: the last version of the venue's files that was loaded into the database."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Collection, Mapping
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from fleet.desired.load import load
from fleet.desired.version import Version
from fleet.errors import Refused
from fleet.model.change import ChangeRecord, ChangeState
from fleet.model.deviation import AgreedDeviation
from fleet.model.standing import OurMute, RoomMode
from fleet.model.venue import Venue
from fleet.reconcile.muted import mutes_of
from fleet.store.protocol import Store

FAR_SMALLER = 0.5
"""A version with less than this share of the positions in force is far smaller."""

DOUBTS = {
    "empty": "this version has no positions",
    "older": "this version was in force before and was replaced since",
    "smaller": "this version has less than half the positions of the one in force",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Loaded:
    """What a load did: the version now in force, and whether it was in force already."""

    version: Version
    number: int
    unchanged: bool


class Desired:
    """Holds the version in force and takes new ones."""

    def __init__(self, store: Store, clock: Callable[[], datetime]) -> None:
        self._store = store
        self._clock = clock
        self.version: Version | None = None
        self._bound_of: Version | None = None
        self._bound: frozenset[str] = frozenset()
        self.modes: Mapping[str, RoomMode] = {}
        """The mode of each room that was ever brought into one."""
        self.deviations: Mapping[str, AgreedDeviation] = {}
        """Agreed deviations by id, also some that have ended."""
        self.mutes: Mapping[str, OurMute] = {}
        """Positions that somebody muted through this tool, by full name."""
        self.taking = asyncio.Lock()
        """Held while a version is made and put in force, so that none is lost to another made from the same one."""

    async def open(self) -> None:
        """Take the version in force from the store."""
        stored = await self._store.latest_version()
        if stored is not None:
            self.version = load(stored.files)
        self.modes = await self._store.standing(RoomMode)
        self.deviations = await self._store.standing(AgreedDeviation)
        self.mutes = await self._store.standing(OurMute)

    def venue(self, modes: Mapping[str, str] | None = None) -> Venue:
        """The venue in force, each room in its mode or the one given here. Raises `Refused` where none is loaded."""
        present = {room: standing.mode for room, standing in self.modes.items()}
        return self.in_force().venue.in_modes({**present, **(modes or {})})

    def agreed(self) -> tuple[AgreedDeviation, ...]:
        """Agreed deviations that stand now."""
        now = self._clock()
        return tuple(one for one in self.deviations.values() if one.stands(now))

    def changed(self, record: ChangeRecord) -> None:
        """A change moved on: once it is kept, the rooms it was about are in its modes, and muted or not any more."""
        if record.state is ChangeState.KEPT and record.plan.then.muted:
            moved = {**self.mutes, **mutes_of(record)}
            self.mutes = {key: mute for key, mute in moved.items() if mute is not None}
        if record.state is ChangeState.KEPT and record.plan.then.modes:
            assert record.ended is not None
            brought = {
                room: RoomMode(room=room, mode=mode, since=record.ended, who=record.who, change=record.id)
                for room, mode in record.plan.then.modes.items()
            }
            self.modes = {**self.modes, **brought}

    def in_force(self) -> Version:
        """The version in force. Raises `Refused` where none was loaded yet."""
        if self.version is None:
            raise Refused("no desired state is loaded", remedy="Load a venue folder with `fleet load FOLDER`.")
        return self.version

    @property
    def zone(self) -> ZoneInfo:
        """The venue's time zone; UTC where no venue is loaded."""
        return ZoneInfo(self.version.venue.time_zone if self.version is not None else "UTC")

    def bound(self) -> frozenset[str]:
        """Devices that a position names."""
        if self.version is not self._bound_of:
            positions = () if self.version is None else self.version.venue.positions()
            self._bound_of, self._bound = self.version, frozenset(p.device for p in positions)
        return self._bound

    async def load(self, files: Mapping[str, str], who: str, *, allow: Collection[str] = ()) -> Loaded:
        """Put a version in force, after any that is being taken. See `put_in_force`."""
        async with self.taking:
            return await self.put_in_force(files, who, allow=allow)

    async def put_in_force(
        self, files: Mapping[str, str], who: str, *, allow: Collection[str] = (), note: str = ""
    ) -> Loaded:
        """Put a version in force, for one who holds `taking`.

        An older, an empty or a far smaller version is taken only where that word is in `allow`.
        Raises `BadFiles` with every mistake, or `Refused` whose guards are those words.
        """
        version = load(files)
        current = await self._store.latest_version()
        if current is not None and current.sha256 == version.sha256:
            self.version = version
            return Loaded(version=version, number=current.number, unchanged=True)
        if guards := tuple([doubt async for doubt in self._doubts(version) if doubt not in allow]):
            lift = " ".join(f"--allow {guard}" for guard in guards)
            raise Refused(
                "; ".join(DOUBTS[guard] for guard in guards),
                guards=guards,
                remedy=f"Load it with {lift} if that is meant.",
            )
        number = await self._store.save_version(version.files, version.sha256, who, self._clock(), note)
        self.version = version
        return Loaded(version=version, number=number, unchanged=False)

    async def _doubts(self, version: Version) -> AsyncIterator[str]:
        """The reasons to ask before taking this version."""
        count = len(version.venue.positions())
        if await self._store.version(version.sha256) is not None:
            yield "older"
        if not count:
            yield "empty"
        elif self.version is not None and count < FAR_SMALLER * len(self.version.venue.positions()):
            yield "smaller"
