"""A small venue under the drift watch, over devices in memory, ticked through virtual time."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

import pytest

from fleet.drivers.memory import MemoryDevice, MemoryDriver
from fleet.drivers.protocol import LinkUp
from fleet.model.change import ChangeState
from fleet.model.notice import Notice
from fleet.services.together import Services, wire
from fleet.store.protocol import Store
from tests.services.small_venue import DRIVERS, FILES, NOON, Ids, apply, begun, boxes, ended, hear_all

RESTFUL = timedelta(minutes=2)


@dataclass
class Clock:
    """A clock that is put forward by hand."""

    now: datetime

    def __call__(self) -> datetime:
        return self.now


@dataclass
class Life:
    """One life of a daemon: its services, ticked each second of a clock of its own."""

    services: Services
    driver: MemoryDriver
    clock: Clock
    notices: list[Notice] = field(default_factory=list)

    @property
    def now(self) -> datetime:
        """What time it is."""
        return self.clock.now

    async def go(self, span: timedelta | float, step_s: float = 1) -> list[Notice]:
        """Let time pass; the notices that were given in it."""
        before = len(self.notices)
        end = self.now + (span if isinstance(span, timedelta) else timedelta(seconds=span))
        while self.now < end:
            await hear_all(self.services, self.driver)
            await self.services.watching.tick()
            await asyncio.sleep(0)
            self.clock.now += timedelta(seconds=step_s)
        return self.notices[before:]

    def device(self, name: str) -> MemoryDevice:
        """A device."""
        return self.driver.devices[name]

    def press(self, name: str, **settings: Any) -> None:
        """Change live settings of a device's output by hand."""
        device = self.device(name)
        live = replace(device.live.outputs[1], **settings)
        device.live = replace(device.live, outputs={1: live})
        self.driver.touched(name)

    def boot(self, name: str, **settings: Any) -> None:
        """Let a device power up, with other settings than it had."""
        self.device(name).boot_count += 1
        self.device(name).revision = 0
        self.press(name, **settings)

    def power(self, *names: str, on: bool) -> None:
        """Take the power from devices, or give it back."""
        for name in names:
            self.device(name).online = on
            self.driver.touched(name)

    def words(self) -> list[str]:
        """What stands, in words."""
        return [f"{e.kind} {', '.join(e.positions)}: {e.words}" for e in self.services.watching.episodes()]


@dataclass
class Lives:
    """Daemons over one store and one set of devices, one after the other."""

    store: Store
    driver: MemoryDriver
    services: Services | None = None

    async def begin(self, now: datetime = NOON, files: dict[str, str] = FILES) -> Life:
        """A daemon that starts."""
        if self.services is not None:
            await self.services.close()
        clock = Clock(now)
        services = wire(store=self.store, driver=self.driver, clock=clock, new_id=Ids(int(now.timestamp())))
        life = Life(services=services, driver=self.driver, clock=clock)
        self.services = services
        services.notices.listen(life.notices.append)
        services.inventory.hear(LinkUp())
        await services.inventory.open()
        await services.desired.open()
        if services.desired.version is None:
            await services.desired.load(files, "ines")
        await self.driver.census()
        await life.go(1)
        return life


@pytest.fixture(params=DRIVERS, ids=lambda kind: kind.name)
async def lives(request: pytest.FixtureRequest, store: Store) -> AsyncIterator[Lives]:
    kind: type[MemoryDriver] = request.param
    lives = Lives(store, kind(boxes()))
    yield lives
    assert lives.services is not None
    await lives.services.close()


@pytest.fixture
async def life(lives: Lives) -> Life:
    """A daemon whose rooms are as desired, an hour after it started."""
    life = await lives.begin()
    for room in ("weir-hall", "foyer"):
        record = await begun(life.services, apply(room))
        assert (await ended(life.services, record.id)).state is ChangeState.KEPT
    await life.go(timedelta(hours=1), step_s=30)
    assert life.notices == []
    assert life.words() == []
    return life
