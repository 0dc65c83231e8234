"""A small venue whose levels have ranges, on a clock that tests move."""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from fleet.drivers.memory import MemoryDriver
from fleet.drivers.protocol import LinkUp
from fleet.model.change import ChangeRecord
from fleet.model.description import Description
from fleet.model.edge import parse, plain
from fleet.model.settings import DeviceSettings, OutputSettings, SlotContents
from fleet.reconcile.scope import Scope
from fleet.services.level_asked import LevelAsked
from fleet.services.planning import Asked
from fleet.services.together import Services, wire
from fleet.store.protocol import Store
from tests.services.small_venue import FLAT, NOON, VENUE, Ids, StagingDriver, box, end_of, hear_all

BAR = """\
format: 1
room: bar
name: Bar
curves: {plain: []}
house_curve: {curve: plain, slot: 5}
defaults: {mute: false, level_db: -12}
groups:
  pair: {together: true, level_db: {between: [-20, -4]}}
positions:
  counter: {device: box-1, level_db: {between: [-20, -4]}}
  left:    {device: box-2, groups: [pair]}
  right:   {device: box-3, groups: [pair]}
  door:    {device: box-4}
"""
FOYER = "format: 1\nroom: foyer\nname: Foyer\npositions:\n  desk: {device: box-5, level_db: -6}\n"
FILES = {"venue.yaml": VENUE, "rooms/bar.yaml": BAR, "rooms/foyer.yaml": FOYER}
NIGHT = """\
modes:
  night:
    groups: {pair: {level_db: {between: [-40, -25]}}}
    positions: {counter: {level_db: {between: [-40, -25]}}}
"""
FILES_WITH_NIGHT = {**FILES, "rooms/bar.yaml": BAR + NIGHT}
"""The bar is far softer at night."""
LEVELS_DB = {"box-1": -10.0, "box-2": -8.0, "box-3": -8.0, "box-4": -12.0, "box-5": -6.0}


@dataclass
class Clock:
    """A clock that stands until it is moved."""

    now: datetime = NOON

    def __call__(self) -> datetime:
        return self.now

    def pass_by(self, **length: float) -> None:
        self.now += timedelta(**length)


@dataclass
class Life:
    """One life of the daemon over the same devices."""

    services: Services
    driver: MemoryDriver
    clock: Clock

    async def tick(self) -> None:
        """Hear what was told, and do what is due."""
        await hear_all(self.services, self.driver)
        await self.services.levels.tick()
        await self.services.level_ends.tick()
        await hear_all(self.services, self.driver)

    async def turned(self, device: str, level_db: float) -> None:
        """Somebody turns a level at a wall panel, and the daemon hears it."""
        one = self.driver.devices[device]
        one.live = DeviceSettings(outputs={1: OutputSettings(level_db=level_db)}).over(one.live)
        self.driver.touched(device)
        await hear_all(self.services, self.driver)

    async def do(self, asked: Asked, *, who: str = "ines", allow: tuple[str, ...] = ()) -> ChangeRecord:
        """Carry out what is asked for, to its end."""
        plan = await self.services.changes.plan(asked)
        record = await self.services.changes.begin(plan, who=who, why="a test", allow=allow)
        ended = await end_of(self.services.changes, record.id)
        await hear_all(self.services, self.driver)
        return ended

    async def standing(self) -> dict[str, tuple[float, str]]:
        """The chosen levels with who chose them, by position (`counter@night` in a mode)."""
        chosen = await self.services.chosen.current()
        return {one.key.removeprefix(f"{one.room}/"): (one.level_db, one.who) for one in chosen.values()}

    def level_db(self, device: str) -> float | None:
        return self.driver.devices[device].live.outputs[1].level_db


def level(
    by_db: float | None = None,
    *,
    to_db: float | None = None,
    until: str = "",
    who: str = "ines",
    room: str = "bar",
    **narrowed: Any,
) -> Asked:
    """A level change as a face asks for it."""
    asked = LevelAsked(by_db=by_db, to_db=to_db, until=until, who=who)
    return Asked(kind="level", scope=Scope(rooms=(room,), **narrowed), level=asked)


def devices() -> list[Any]:
    """The boxes, in the house-curve slot; what it holds differs from what is live by the level alone."""
    made = []
    for name, level_db in LEVELS_DB.items():
        one = box(name)
        own = replace(FLAT, level_db=-12.0)
        one.slots[5] = SlotContents(slot=5, name="slot 5", outputs={1: own})
        one.active_slot = 5
        one.live = DeviceSettings(outputs={1: OutputSettings(level_db=level_db)}).over(one.live)
        made.append(one)
    return made


def coarse(one: Any, step: float) -> None:
    """Let a box have steps of this many dB."""
    document = plain(one.description)
    document["outputs"][0]["level_db"]["step"] = step
    one.description = parse(Description, document)


@asynccontextmanager
async def life(
    store: Store,
    driver: MemoryDriver | None = None,
    clock: Clock | None = None,
    files: Mapping[str, str] = FILES,
) -> AsyncIterator[Life]:
    """A daemon over these devices, with the venue in force and everything heard."""
    driver, clock = driver or StagingDriver(devices()), clock or Clock()
    number = len(await store.changes(1000)) + 1
    services = wire(store=store, driver=driver, clock=clock, new_id=Ids(number))
    services.inventory.hear(LinkUp())
    await services.inventory.open()
    await services.desired.open()
    await services.desired.load(files, "ines", allow=["older"])
    await driver.census()
    await hear_all(services, driver)
    yield Life(services, driver, clock)
    await services.close()
