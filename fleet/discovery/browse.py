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

from fleet.discovery.records import DEVICE_SERVICE, Announcement, Unusable, goodbye_of, sighting_of
from fleet.discovery.watch import Watch
from fleet.errors import BadInput
from fleet.model.inventory import Sighting

log = logging.getLogger(__name__)


class Browser:
    """Browses while its `async with` block lasts, on the interfaces of these addresses; none given means all.

    A device that vanishes without a goodbye is not noticed here: browsing is no sign of life.
    """

    def __init__(self, interfaces: Sequence[str] = (), *, now: Callable[[], datetime]) -> None:
        self._interfaces = interfaces
        self._now = now
        self._queue: asyncio.Queue[Sighting | None] = asyncio.Queue()
        self._unusable: set[str] = set()
        self._zeroconf: AsyncZeroconf | None = None
        self._watch: Watch | None = None

    async def __aenter__(self) -> Self:
        self._zeroconf = open_mdns(self._interfaces)
        self._watch = Watch(self._zeroconf.zeroconf, DEVICE_SERVICE, self._found, self._gone)
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._watch is not None
        assert self._zeroconf is not None
        await self._watch.close()
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

    def _tell(self, seen: Sighting | Unusable) -> None:
        if isinstance(seen, Sighting):
            self._queue.put_nowait(seen)
            return
        first = seen.name not in self._unusable
        self._unusable.add(seen.name)
        log.log(logging.WARNING if first else logging.DEBUG, "announcement %s: %s", seen.name, seen.why)


def open_mdns(interfaces: Sequence[str]) -> AsyncZeroconf:
    """mDNS on the interfaces of these addresses, or on all. Raises `BadInput` where there is no such interface."""
    try:
        return AsyncZeroconf(interfaces=list(interfaces) or InterfaceChoice.All)
    except (OSError, RuntimeError, ValueError) as error:
        names = ", ".join(interfaces) or "any interface"
        raise BadInput(f"mDNS cannot be used on {names}: {error}", remedy="Give the address of an interface") from None
