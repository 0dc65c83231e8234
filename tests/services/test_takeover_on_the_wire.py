"""Taking over simulated devices on a real broker, which another database has commanded."""

from __future__ import annotations

import asyncio
import itertools
import sys
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from random import Random

import pytest

from fleet.drivers.mqtt.broker import embedded_broker
from fleet.drivers.mqtt.driver import MqttDriver
from fleet.drivers.mqtt.timings import Timings
from fleet.errors import DeviceRefused
from fleet.services.tending import Tending
from fleet.services.together import Services, wire
from fleet.store.protocol import Store
from fleet.tasks import end
from tests.services.small_venue import NOON, Ids, until

ROOT = "take-over/v1"
COUNT = 2


@asynccontextmanager
async def simulated() -> AsyncIterator[MqttDriver]:
    """A driver beside simulated devices."""
    async with embedded_broker() as address:
        simulators = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "simulators", "--count", str(COUNT), "--no-announce", "--root", ROOT),
            *("--broker", f"{address.host}:{address.port}"),
            stdout=asyncio.subprocess.PIPE,
        )
        try:
            assert simulators.stdout is not None
            async with asyncio.timeout(60):
                assert b"ready" in await simulators.stdout.readline()
            numbers = itertools.count(1)
            driver = MqttDriver(
                address,
                ROOT,
                "fleet-test",
                new_id=lambda: f"r-{next(numbers)}",
                clock=time.monotonic,
                random=Random(1),
                timings=Timings(),
            )
            async with driver:
                yield driver
        finally:
            simulators.terminate()
            await simulators.wait()


async def heard_of(services: Services) -> None:
    async def all_told() -> bool:
        return len(services.inventory.descriptions()) == COUNT

    await until(all_told)


async def test_devices_let_a_database_in_once_it_has_taken_over(store: Store) -> None:
    async with simulated() as driver:
        services = wire(store=store, driver=driver, clock=lambda: NOON, new_id=Ids())
        tending = asyncio.create_task(Tending(services).run())
        try:
            await heard_of(services)
            one, other = (description for _, description in sorted(services.inventory.descriptions().items()))
            await driver.abort(one, "another-change", 40)  # as another daemon does whose database has come so far
            with pytest.raises(DeviceRefused, match="`fleet take-over`"):
                await driver.abort(one, "a-change", await store.epoch())
            found = await services.take_over.take("ines")
            assert dict(found.above) == {one.id: 40}
            assert found.answered == COUNT
            assert await store.epoch() == 41
            for description in (one, other):
                await driver.abort(description, "a-change", await store.epoch())
            with pytest.raises(DeviceRefused, match="stale_epoch"):
                await driver.abort(one, "another-change", 40)
        finally:
            await end(tending)
            await services.close()
