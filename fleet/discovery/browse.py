"""Devices that announce themselves by mDNS, as sightings."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Callable, Sequence
from datetime import datetime
from types import TracebackType
from typing import Self

from zeroconf import InterfaceChoice
from zeroconf.asyncio import AsyncZeroconf

from fleet.discovery.records import (
    BROKER_SERVICE,
    DEVICE_SERVICE,
    Announcement,
    FoundBroker,
    Unusable,
    broker_of,
    goodbye_of,
    sighting_of,
)
from fleet.discovery.watch import Watch
from fleet.errors import BadInput
from fleet.model.inventory import Sighting
from fleet.model.once import Once

log = logging.getLogger(__name__)


class Browser:
    """Browses while its `async with` block lasts, on the interfaces of these addresses; none given means all.

    A device that vanishes without a goodbye is not noticed here: browsing is no sign of life. `on_broker` is called
    for each announcement of a broker for devices.
    """

    def __init__(
        self,
        interfaces: Sequence[str] = (),
        *,
        now: Callable[[], datetime],
        on_broker: Callable[[FoundBroker], None] | None = None,
    ) -> None:
        self._interfaces = interfaces
        self._now = now
        self._on_broker = on_broker
        self._queue: asyncio.Queue[Sighting | None] = asyncio.Queue()
        self._unusable = Once()
        self._zeroconf: AsyncZeroconf | None = None
        self._watches: list[Watch] = []

    async def __aenter__(self) -> Self:
        self._zeroconf = open_mdns(self._interfaces)
        self._watches = [Watch(self._zeroconf.zeroconf, DEVICE_SERVICE, self._found, self._gone)]
        if self._on_broker is not None:
            self._watches.append(Watch(self._zeroconf.zeroconf, BROKER_SERVICE, self._found_broker, lambda _: None))
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._zeroconf is not None
        for watch in self._watches:
            await watch.close()
        await self._zeroconf.async_close()
        self._queue.put_nowait(None)

    async def sightings(self) -> AsyncIterator[Sighting]:
        """Sightings as they come, until the browser is closed. One reader."""
        while (sighting := await self._queue.get()) is not None:
            yield sighting

    def _found(self, announced: Announcement) -> None:
        self._tell(sighting_of(announced, self._now()))

    def _gone(self, name: str) -> None:
        self._tell(goodbye_of(name, self._now()))

    def _found_broker(self, announced: Announcement) -> None:
        broker = broker_of(announced)
        if self._on_broker is not None and isinstance(broker, FoundBroker):
            self._on_broker(broker)

    def _tell(self, seen: Sighting | Unusable) -> None:
        if isinstance(seen, Sighting):
            self._queue.put_nowait(seen)
            return
        level = logging.WARNING if self._unusable.first(seen.name) else logging.DEBUG
        log.log(level, "announcement %s: %s", seen.name, seen.why)


def open_mdns(interfaces: Sequence[str]) -> AsyncZeroconf:
    """mDNS on the interfaces of these addresses, or on all. Raises `BadInput` where there is no such interface."""
    try:
        return AsyncZeroconf(interfaces=list(interfaces) or InterfaceChoice.All)
    except (OSError, RuntimeError, ValueError) as error:
        names = ", ".join(interfaces) or "any interface"
        raise BadInput(f"mDNS cannot be used on {names}: {error}", remedy="Give the address of an interface") from None
