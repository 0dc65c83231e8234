"""A venue of two rooms on devices in memory: the real store, two drivers, and everything wired in one process."""

from __future__ import annotations

import asyncio
import itertools
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable
from contextlib import asynccontextmanager
from copy import deepcopy
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from fleet.drivers.memory import MemoryDevice, MemoryDriver
from fleet.drivers.protocol import Abilities, LinkUp
from fleet.errors import DeviceRefused
from fleet.model.change import ChangeRecord
from fleet.model.description import Description
from fleet.model.edge import parse
from fleet.model.plan import Phase, Work
from fleet.model.settings import DeviceSettings, OutputSettings, SlotContents
from fleet.model.state import Moment, OpenChange, State
from fleet.reconcile.scope import Scope
from fleet.services.changes import Changes
from fleet.services.planning import Asked
from fleet.services.together import Services, wire
from fleet.store.protocol import Store
from fleet.store.sql import open_store
from tests.empty_store import url_of_store

NOON = datetime(2031, 5, 17, 12, 0, 0, tzinfo=UTC)

VENUE = "format: 1\nname: Harbour House\ntime_zone: Europe/Berlin\n"
HALL = """\
format: 1
room: weir-hall
name: Weir Hall
curves:
  warm: [{shape: bell, frequency_hz: 2500, gain_db: -4, q: 1.4}]
house_curve: {curve: warm, slot: 5}
defaults: {mute: false}
groups:
  mains: {together: true, level_db: -6}
  fills: {level_db: -12}
positions:
  main-left:  {device: box-1, groups: [mains]}
  main-right: {device: box-2, groups: [mains]}
  fill:       {device: box-3, groups: [fills]}
  horn:       {device: box-9, life_safety: true}
"""
FOYER = """\
format: 1
room: foyer
name: Foyer
positions:
  desk: {device: box-4, level_db: -10}
  door: {device: box-5, level_db: -10}
"""
FILES = {"venue.yaml": VENUE, "rooms/weir-hall.yaml": HALL, "rooms/foyer.yaml": FOYER}
BOXES = ("box-1", "box-2", "box-3", "box-4", "box-5", "box-9")
FLAT = OutputSettings(level_db=-6.0, polarity="normal", delay_ms=0.0, eq=(), high_pass="none", low_pass="none")


def description(device: str, **other: Any) -> Description:
    """A loudspeaker with eight slots, of which two are the factory's."""
    crossover = {"slopes": {"linkwitz_riley": [24]}, "frequency_hz": {"min": 20, "max": 20000, "step": 1}}
    return parse(
        Description,
        {
            "id": device,
            "serial": f"SN-{device}",
            "model": "Brae 10",
            "firmware": "1.4.0",
            "mac": "",
            "sample_rate_hz": 48000,
            "outputs": [
                {
                    "output": 1,
                    "passband_hz": [60, 18000],
                    "level_db": {"min": -80, "max": 6, "step": 0.5},
                    "delay_ms": {"min": 0, "max": 200, "step": 0},
                    "polarity": True,
                    "eq": {
                        "bands": 10,
                        "shapes": ["bell", "low_shelf", "high_shelf"],
                        "frequency_hz": {"min": 20, "max": 20000, "step": 0},
                        "gain_db": {"min": -15, "max": 15, "step": 0.1},
                        "q": {"min": 0.3, "max": 20, "step": 0.01},
                    },
                    "high_pass": crossover,
                    "low_pass": crossover,
                }
            ],
            "inputs": ["analogue", "network"],
            "panel_lock": True,
            "power_up": {"behaviour": "last_state"},
            "slots": {
                "count": 8,
                "factory": [1, 2],
                "stores": ["level_db", "polarity", "delay_ms", "eq", "high_pass", "low_pass"],
            },
            **other,
        },
    )


def box(device: str, **other: Any) -> MemoryDevice:
    """It sounds flat at -6 dB, in slot 1, and every slot holds the same."""
    return MemoryDevice(
        description=description(device, **other),
        live=DeviceSettings(input="network", panel_locked=False, outputs={1: FLAT}),
        slots={n: SlotContents(slot=n, name=f"slot {n}", outputs={1: FLAT}) for n in range(1, 9)},
        active_slot=1,
    )


def boxes(names: Iterable[str] = BOXES) -> list[MemoryDevice]:
    """The devices of the venue, all alike."""
    return [box(name) for name in names]


@dataclass
class Restore:
    """What a staging device returns to, and the slot contents it writes at keep."""

    change: str
    live: DeviceSettings
    active_slot: int | None
    mute_causes: dict[int, Any]
    contents: list[SlotContents] = field(default_factory=list)
    phase: int = 0


class StagingDriver(MemoryDriver):
    """The same devices, with what schemas/wire.md says of stage, keep, revert and readable slots."""

    name = "staging"

    def __init__(self, devices: Iterable[MemoryDevice]) -> None:
        self.open: dict[str, Restore] = {}
        self.ended: set[tuple[str, str]] = set()
        self.returned: set[tuple[str, str]] = set()
        super().__init__(devices)

    def abilities(self, description: Description) -> Abilities:
        return Abilities(stages=True, revert_timer=True, readable_slots=True)

    async def prepare(
        self, description: Description, change: str, work: dict[Phase, Work], expect: Moment, epoch: int
    ) -> None:
        if (held := self.open.get(description.id)) is not None and held.change != change:
            raise DeviceRefused(description.id, "change_open", f"{held.change} is open")
        await super().prepare(description, change, work, expect, epoch)

    async def commit(
        self,
        description: Description,
        change: str,
        phase: Phase,
        expect: Moment,
        epoch: int,
        *,
        revert_after_ms: float | None = None,
    ) -> Moment:
        device = self._reach(description, epoch, expect)
        work = self._held.phase(description.id, change, phase)
        restore = self.open.setdefault(
            description.id, Restore(change, device.live, device.active_slot, deepcopy(device.mute_causes))
        )
        restore.contents += work.slot_contents
        restore.phase = int(phase)
        device.do(replace(work, slot_contents=()))
        self._held.committed(description.id, change, device.moment())
        self._tell_all(device)
        return device.moment()

    async def keep(self, description: Description, change: str, epoch: int) -> Moment:
        device = self._reach(description, epoch)
        if (description.id, change) not in self.ended:
            if description.id not in self.open or self.open[description.id].change != change:
                raise DeviceRefused(description.id, "unknown_change")
            if contents := self.open.pop(description.id).contents:
                device.do(Work(slot_contents=tuple(contents)))
            self.ended.add((description.id, change))
            self._held.keep(description.id, change)
            self._tell_all(device)
        return device.moment()

    async def revert(self, description: Description, change: str, epoch: int) -> Moment:
        device = self._reach(description, epoch)
        if (description.id, change) in self.returned:
            return device.moment()
        restore = self.open.get(description.id)
        if restore is None or restore.change != change:
            raise DeviceRefused(description.id, "unknown_change" if restore is None else "change_open")
        del self.open[description.id]
        self.returned.add((description.id, change))
        device.live, device.active_slot, device.mute_causes = restore.live, restore.active_slot, restore.mute_causes
        device.revision += 1
        self._tell_all(device)
        return device.moment()

    def _state(self, device: MemoryDevice) -> State:
        held = self.open.get(device.description.id)
        return replace(device.state(), change=OpenChange(id=held.change, phase=held.phase) if held else None)


DRIVERS: tuple[type[MemoryDriver], ...] = (MemoryDriver, StagingDriver)


class Ids:
    """Ids that count up, so that texts can be compared."""

    def __init__(self, start: int = 1) -> None:
        self._numbers = itertools.count(start)

    def __call__(self, beginning: str) -> str:
        return f"{beginning}-{next(self._numbers):04d}"


async def hear_all(services: Services, driver: MemoryDriver) -> None:
    """Let the inventory take everything the devices have told so far."""
    while not driver._queue.empty():
        services.inventory.hear(driver._queue.get_nowait())


async def opened(store: Store, driver: Any, memory: MemoryDriver | None = None) -> Services:
    """Services over a store and a driver, with the venue loaded and the devices heard."""
    services = wire(store=store, driver=driver, clock=lambda: NOON, new_id=Ids())
    services.inventory.hear(LinkUp())
    await services.inventory.open()
    await services.desired.open()
    await services.desired.load(FILES, "ines", allow=["older"])
    await hear_all(services, memory or driver)
    return services


@asynccontextmanager
async def store_at(folder: Path) -> AsyncIterator[Store]:
    """The real store, on SQLite."""
    async with open_store(url_of_store(folder / "fleet.db")) as store:
        yield store


def apply(room: str = "weir-hall", **narrowed: Any) -> Asked:
    """What a person asks for."""
    return Asked(kind="apply", scope=Scope(rooms=(room,), **narrowed))


async def begun(services: Services, asked: Asked, *, allow: Iterable[str] = ("rise", "half-room")) -> ChangeRecord:
    """The change, started as a face would."""
    plan = await services.changes.plan(asked)
    return await services.changes.start(asked, digest=plan.digest, who="ines", why="a test", allow=tuple(allow))


async def ended(services: Services, change: str) -> ChangeRecord:
    """The change, at its end, with all that is kept of it. The time limit is only there so that a failure ends."""
    record = await end_of(services.changes, change)
    await services.snapshots_of_changes.settled()
    await services.audit.settled()
    return record


async def end_of(changes: Changes, change: str) -> ChangeRecord:
    """The same of one life of the service."""
    async with asyncio.timeout(30):
        while not (record := await changes.wait(change, 5)).state.ended:
            pass
        return record


async def until(done: Callable[[], Awaitable[bool]]) -> None:
    """Wait for something to become so. The time limit is only there so that a failure ends."""
    async with asyncio.timeout(30):
        while not await done():  # noqa: ASYNC110  # databases and devices in memory have no event for it
            await asyncio.sleep(0.01)


def sound(device: MemoryDevice) -> tuple[Any, ...]:
    """All that can be heard of a device, to compare it before and after."""
    causes = {n: c for n, c in device.mute_causes.items() if c}
    return device.state().live, device.active_slot, causes, dict(device.slots)


def all_sound(driver: MemoryDriver) -> dict[str, tuple[Any, ...]]:
    """The same of every device, by id."""
    return {name: sound(device) for name, device in driver.devices.items()}
