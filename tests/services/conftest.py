"""The store of each test, and the venue on each kind of driver."""

from __future__ import annotations

from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from fleet.drivers.memory import MemoryDevice, MemoryDriver
from fleet.services.together import Services
from fleet.store.protocol import Store
from tests.services.small_venue import DRIVERS, boxes, opened, store_at


@pytest.fixture
async def store(tmp_path: Path) -> AsyncIterator[Store]:
    async with store_at(tmp_path) as store:
        yield store


@pytest.fixture
def devices() -> list[MemoryDevice]:
    """The devices that the driver reaches."""
    return boxes()


@pytest.fixture(params=DRIVERS, ids=lambda kind: kind.name)
def driver(request: pytest.FixtureRequest, devices: list[MemoryDevice]) -> MemoryDriver:
    kind: type[MemoryDriver] = request.param
    return kind(devices)


@pytest.fixture
async def services(store: Store, driver: MemoryDriver) -> AsyncIterator[Services]:
    services = await opened(store, driver)
    yield services
    await services.close()
