"""Watching one type of service by mDNS: names come first, and are resolved without flooding the network."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Sequence
from typing import Final

from zeroconf import ServiceStateChange, Zeroconf
from zeroconf.asyncio import AsyncServiceBrowser, AsyncServiceInfo

from fleet.discovery.records import Announcement
from fleet.tasks import end

log = logging.getLogger(__name__)

MOST_AT_ONCE: Final = 50
WAITS_S: Final[Sequence[float]] = (1.0, 1.0, 2.0, 4.0, 8.0)
"""Before each request: most answers come by themselves within the first second, and asking at once drowns them."""
REQUEST_MS: Final = 3000
MOST_RESOLVING: Final = 10_000
"""Names at a time. A name beyond is passed over until it is announced again, which devices do by themselves."""


class Watch:
    """Calls `on_found` for each service that could be resolved, again when it changes, and `on_gone` at a goodbye."""

    def __init__(
        self,
        zeroconf: Zeroconf,
        service: str,
        on_found: Callable[[Announcement], None],
        on_gone: Callable[[str], None],
    ) -> None:
        self._zeroconf = zeroconf
        self._service = service
        self._on_found = on_found
        self._on_gone = on_gone
        self._room = asyncio.Semaphore(MOST_AT_ONCE)
        self._resolving: dict[str, asyncio.Task[None]] = {}
        self._browser = AsyncServiceBrowser(zeroconf, service, handlers=[self._changed])

    async def close(self) -> None:
        """Stop watching."""
        await self._browser.async_cancel()
        await end(*self._resolving.values())

    def _changed(self, zeroconf: Zeroconf, service_type: str, name: str, state_change: ServiceStateChange) -> None:
        del zeroconf, service_type  # zeroconf calls with names, and there is one of each here
        running = self._resolving.pop(name, None)
        if running is not None:
            running.cancel()
        if state_change is ServiceStateChange.Removed:
            self._on_gone(name)
            return
        if len(self._resolving) >= MOST_RESOLVING:
            log.warning("more than %d services are announced at once: some are passed over for now", MOST_RESOLVING)
            return
        task = asyncio.create_task(self._resolve(name), name=f"resolve {name}")
        self._resolving[name] = task
        task.add_done_callback(lambda done: self._done(name, done))

    def _done(self, name: str, task: asyncio.Task[None]) -> None:
        if self._resolving.get(name) is task:
            del self._resolving[name]

    async def _resolve(self, name: str) -> None:
        info = AsyncServiceInfo(self._service, name)
        found = info.load_from_cache(self._zeroconf)
        for wait_s in WAITS_S:
            if found:
                break
            await asyncio.sleep(wait_s)
            found = info.load_from_cache(self._zeroconf)
            if not found:
                async with self._room:
                    found = await info.async_request(self._zeroconf, REQUEST_MS)
        if found:
            self._on_found(
                Announcement(
                    name=name,
                    txt=info.text or b"",
                    addresses=tuple(info.parsed_scoped_addresses()),
                    port=info.port or 0,
                )
            )
