"""What is announced by mDNS reaches the driver as a sign to try its link again; what says goodbye does not."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from datetime import UTC, datetime
from pathlib import Path

from fleet.drivers.memory import MemoryDriver
from fleet.model.inventory import Sighting
from fleet.services.tending import Tending
from fleet.tasks import end
from tests.services.small_venue import opened, store_at

NOON = datetime(2031, 5, 17, 12, 0, 0, tzinfo=UTC)


class Counting(MemoryDriver):
    """Counts how often it is woken."""

    woken = 0

    def wake(self) -> None:
        self.woken += 1


async def test_a_sighting_wakes_the_link_and_a_goodbye_does_not(tmp_path: Path) -> None:
    driver, done = Counting(()), asyncio.Event()

    async def sightings() -> AsyncIterator[Sighting]:
        yield Sighting(device="box-1", at=NOON, source="mdns", gone=True)
        assert driver.woken == 0
        yield Sighting(device="box-1", at=NOON, source="mdns")
        assert driver.woken == 1
        done.set()
        await asyncio.Event().wait()

    async with store_at(tmp_path) as store:
        services = await opened(store, driver)
        tending = asyncio.create_task(Tending(services, sightings=sightings).run())
        try:
            async with asyncio.timeout(10):
                await done.wait()
        finally:
            await end(tending)
