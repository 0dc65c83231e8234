"""The store and the driver with meters on them: the same calls, counted and timed as they pass."""

from __future__ import annotations

import functools
from collections.abc import AsyncIterator, Awaitable, Callable
from typing import Any, cast

from fleet.drivers.protocol import Driver, Event, LinkUp
from fleet.faces.metrics.meters import Meters
from fleet.model.change import ChangeRecord
from fleet.store.protocol import Store

WRITING = ("save_", "add_", "drop_", "begin_", "set_", "journal")
"""How the names of calls that write begin."""


def observed_store(store: Store, meters: Meters) -> Store:
    """This store; how long writes take is metered, and which changes end."""
    return cast(Store, _ObservedStore(store, meters))


def observed_driver(driver: Driver, meters: Meters) -> Driver:
    """This driver; connections and censuses are metered."""
    return cast(Driver, _ObservedDriver(driver, meters))


class _ObservedStore:
    def __init__(self, store: Store, meters: Meters) -> None:
        self._store = store
        self._meters = meters

    def __getattr__(self, name: str) -> Any:
        call = getattr(self._store, name)
        return self._timed(call) if name.startswith(WRITING) else call

    def _timed(self, write: Callable[..., Awaitable[Any]]) -> Callable[..., Awaitable[Any]]:
        @functools.wraps(write)
        async def timed(*arguments: Any, **named: Any) -> Any:
            with self._meters.store_write.time():
                written = await write(*arguments, **named)
            for argument in arguments:
                if isinstance(argument, ChangeRecord):
                    self._meters.wrote(argument)
            return written

        return timed


class _ObservedDriver:
    def __init__(self, driver: Driver, meters: Meters) -> None:
        self._driver = driver
        self._meters = meters

    def __getattr__(self, name: str) -> Any:
        return getattr(self._driver, name)

    async def events(self) -> AsyncIterator[Event]:
        async for event in self._driver.events():
            if isinstance(event, LinkUp):
                self._meters.linked()
            yield event

    async def census(self) -> frozenset[str]:
        devices = await self._driver.census()
        self._meters.counted_devices()
        return devices
