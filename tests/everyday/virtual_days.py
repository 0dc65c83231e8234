"""Days that pass in moments: all services over devices in memory, on a clock that the test sets.

Only the clock is not real. Changes run as they do in a daemon, and each is waited for before the clock goes on.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from fleet.drivers.memory import MemoryDriver
from fleet.drivers.protocol import LinkUp
from fleet.model.change import ChangeState
from fleet.model.notice import Notice
from fleet.model.settings import DeviceSettings, OutputSettings
from fleet.services.together import Services, wire
from fleet.store.protocol import Store
from tests.services.small_venue import NOON, Ids

SECOND = timedelta(seconds=1)
BACKGROUND = 4
"""Turns of the loop for what services do in the background: questions to silent devices."""


@dataclass
class Days:
    """A running venue and its clock. `notices` are all that were given, in order."""

    services: Services
    driver: MemoryDriver
    now: Callable[[], datetime]
    _set: Callable[[datetime], None]
    notices: list[Notice] = field(default_factory=list)

    async def turn(self) -> None:
        """One turn of the daemon: hear devices, do what is due, let changes come to their ends."""
        self.hear()
        for daily in self.services.daily:
            await daily.tick()
        for _ in range(BACKGROUND):
            await asyncio.sleep(0)
        await self.settle()

    async def settle(self) -> None:
        """Until no change is on its way (one on trial rests), with what devices tell meanwhile heard."""
        async with asyncio.timeout(30):
            while any(record.state is not ChangeState.ON_TRIAL for record in self.services.changes._runs.records()):
                await asyncio.sleep(0.001)
                self.hear()
        self.hear()

    def hear(self) -> None:
        """Let the inventory take everything that devices have told."""
        while not self.driver._queue.empty():
            self.services.inventory.hear(self.driver._queue.get_nowait())

    async def go(self, until: timedelta | datetime, step: timedelta = SECOND) -> None:
        """Let the time pass, a turn each step."""
        end = until if isinstance(until, datetime) else self.now() + until
        while self.now() < end:
            self._set(min(self.now() + step, end))
            await self.turn()

    # What hands and power do at the devices.

    def press(self, device: str, **settings: Any) -> None:
        """A hand changes live settings at the panel."""
        box = self.driver.devices[device]
        box.live = DeviceSettings(outputs={1: OutputSettings(**settings)}).over(box.live)
        self.driver.touched(device)

    def recall(self, device: str, slot: int) -> None:
        """A hand recalls a slot at the panel."""
        box = self.driver.devices[device]
        box.live = DeviceSettings(outputs=box.slots[slot].outputs or {}).over(box.live)
        box.active_slot = slot
        self.driver.touched(device)

    def power_off(self, device: str) -> None:
        """Its power is cut."""
        self.driver.devices[device].online = False
        self.driver.touched(device)

    def power_on(self, device: str) -> None:
        """It starts, and comes back as its model does."""
        box = self.driver.devices[device]
        box.online = True
        box.restart()
        self.driver._tell_all(box)


@asynccontextmanager
async def days(
    store: Store, driver: MemoryDriver, files: Mapping[str, str], start: datetime = NOON
) -> AsyncIterator[Days]:
    """The venue of these files, heard and watched from `start` on."""
    clock = [start]
    services = wire(store=store, driver=driver, clock=lambda: clock[0], new_id=Ids(1 + abs((start - NOON) // SECOND)))
    services.inventory.hear(LinkUp())
    await services.inventory.open()
    await services.desired.open()
    await services.desired.load(files, "ines", allow=["older"])

    def put(at: datetime) -> None:
        clock[0] = at

    made = Days(services=services, driver=driver, now=lambda: clock[0], _set=put)
    services.notices.listen(made.notices.append)
    try:
        await made.turn()
        yield made
    finally:
        await services.close()
