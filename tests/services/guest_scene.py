"""The small venue with a clock that is set by hand, and lives of the daemon that end and begin again."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import datetime, timedelta
from typing import Any

from fleet.drivers.memory import MemoryDriver
from fleet.drivers.protocol import LinkUp
from fleet.model.notice import Notice
from fleet.model.plan import Plan
from fleet.model.settings import DeviceSettings, OutputSettings
from fleet.services.together import Services, wire
from fleet.store.protocol import Store
from tests.services.small_venue import FILES, NOON, Ids, StagingDriver, apply, boxes, end_of, hear_all

ALLOW = ("rise", "half-room", "unmanaged")


class Scene:
    """The services over devices in memory, and what people do there."""

    services: Services

    def __init__(self, store: Store) -> None:
        self.store = store
        self.driver: MemoryDriver = StagingDriver(boxes())
        self.now: datetime = NOON
        self._ids = Ids()

    async def at_desk(self, device: str, **settings: Any) -> None:
        """Somebody changes a box at its panel or from a desk."""
        box = self.driver.devices[device]
        box.live = DeviceSettings(outputs={1: OutputSettings(**settings)}).over(box.live)
        await self.told(device)

    async def power(self, device: str, *, on: bool) -> None:
        """A box loses its power, or has it back."""
        self.driver.devices[device].online = on
        await self.told(device)

    async def told(self, device: str) -> None:
        """A device tells how it is, and that is heard."""
        self.driver.touched(device)
        await hear_all(self.services, self.driver)

    async def wait(self, **time: float) -> None:
        """Time passes, and what is due is done."""
        self.now += timedelta(**time)
        await self.services.deviations.tick()
        await self.services.guests.tick()

    async def notices(self, kind: str) -> list[Notice]:
        """Notices of a kind, first given first."""
        return [n for n in reversed(await self.services.notices.recent(200)) if n.kind == kind]

    async def carry_out(self, plan: Plan, allow: tuple[str, ...] = ALLOW) -> None:
        """A change by this plan, to its end."""
        record = await self.services.changes.begin(plan, who="ines", why="a test", allow=allow)
        assert (await end_of(self.services.changes, record.id)).state == "kept"
        await hear_all(self.services, self.driver)

    async def put_right(self, room: str) -> None:
        """Bring a room to what is desired."""
        await self.carry_out(await self.services.changes.plan(apply(room)))

    def level_db(self, device: str) -> float | None:
        """The level that a box has."""
        return self.driver.devices[device].live.outputs[1].level_db

    async def restart(self) -> None:
        """The daemon ends and begins again on the same database."""
        await self.services.close()
        await self.open()

    async def open(self) -> None:
        """Begin a life of the services."""
        self.services = wire(store=self.store, driver=self.driver, clock=lambda: self.now, new_id=self._ids)
        self.services.inventory.hear(LinkUp())
        await self.services.inventory.open()
        await self.services.desired.open()
        if self.services.desired.version is None:
            await self.services.desired.load(FILES, "ines")
        for device in self.driver.devices:
            await self.told(device)


@asynccontextmanager
async def a_scene(store: Store) -> AsyncIterator[Scene]:
    """A scene whose rooms are as desired, until the end of the block."""
    scene = Scene(store)
    await scene.open()
    await scene.put_right("weir-hall")
    await scene.put_right("foyer")
    yield scene
    await scene.services.close()
