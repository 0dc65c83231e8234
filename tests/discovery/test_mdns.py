"""Browsing and announcing over real mDNS on the loopback interface."""

from __future__ import annotations

import asyncio
import socket
import uuid
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import UTC, datetime

import pytest
from zeroconf.asyncio import AsyncServiceInfo, AsyncZeroconf

from fleet.discovery.broker_address import BrokerAddress
from fleet.discovery.brokers import announced_broker, find_broker, interface_of
from fleet.discovery.browse import Browser
from fleet.discovery.records import DEVICE_SERVICE, FoundBroker
from fleet.errors import BadInput
from fleet.model.inventory import Sighting

LOOPBACK = ["127.0.0.1"]
MANY = 60


def service(device: str, txtvers: str = "1") -> AsyncServiceInfo:
    return AsyncServiceInfo(
        DEVICE_SERVICE,
        f"{device}.{DEVICE_SERVICE}",
        addresses=[socket.inet_aton("127.0.0.1")],
        port=1883,
        properties={"txtvers": txtvers, "id": device, "model": "Tarn 12", "fw": "2.3.1", "link": "mqtt"},
        server=f"{device}.local.",
    )


@asynccontextmanager
async def announced(*services: AsyncServiceInfo) -> AsyncIterator[AsyncZeroconf]:
    mdns = AsyncZeroconf(interfaces=LOOPBACK)
    try:
        registering = [await mdns.async_register_service(s, cooperating_responders=True) for s in services]
        await asyncio.gather(*registering)
        yield mdns
    finally:
        await mdns.async_unregister_all_services()
        await mdns.async_close()


async def collect(browser: Browser, done: Callable[[dict[str, Sighting]], bool]) -> dict[str, Sighting]:
    """The last sighting of each device, once that is enough; other devices on this loopback may be among them."""
    seen: dict[str, Sighting] = {}
    async with asyncio.timeout(30):
        async for sighting in browser.sightings():
            seen[sighting.device] = sighting
            if done(seen):
                return seen
    raise AssertionError("the browser closed")


def now() -> datetime:
    return datetime(2026, 3, 1, 12, 0, tzinfo=UTC)


async def test_devices_are_sighted_and_their_goodbye_is_seen() -> None:
    run = uuid.uuid4().hex[:8]
    names = [f"box-{run}-{n}" for n in range(MANY)]
    wanted = set(names)
    async with Browser(LOOPBACK, now=now) as browser:
        old = service(f"old-{run}", txtvers="99")
        async with announced(old, *map(service, names)):
            seen = await collect(browser, lambda s: wanted <= set(s))
            one = seen[names[0]]
            assert (one.address, one.port, one.model, one.gone) == ("127.0.0.1", 1883, "Tarn 12", False)
            assert f"old-{run}" not in seen
        gone = await collect(browser, lambda s: wanted <= {n for n, one in s.items() if one.gone})
    assert wanted <= set(gone)


async def test_a_browser_that_comes_later_sights_too() -> None:
    name = f"box-{uuid.uuid4().hex[:8]}"
    async with announced(service(name)), Browser(LOOPBACK, now=now) as browser:
        assert name in await collect(browser, lambda s: name in s)


async def test_a_broker_is_announced_where_it_is_and_found_by_its_root() -> None:
    run = uuid.uuid4().hex[:8]
    here = BrokerAddress(host="127.0.0.1", port=18831)
    elsewhere = BrokerAddress(host="127.0.0.1", port=18832)
    async with announced_broker(elsewhere, "other/v1", f"other-{run}"), announced_broker(here, f"{run}/v1", run):
        found = await find_broker(f"{run}/v1", 20, LOOPBACK)
    assert found is not None
    assert found.address == here


async def test_a_browser_tells_of_a_broker_that_comes_back() -> None:
    root = f"{uuid.uuid4().hex[:8]}/v1"
    told: asyncio.Queue[FoundBroker] = asyncio.Queue()

    def note(broker: FoundBroker) -> None:
        if broker.root == root:  # other brokers on this loopback may be among them
            told.put_nowait(broker)

    here = BrokerAddress(host="127.0.0.1", port=18833)
    async with Browser(LOOPBACK, now=now, on_broker=note):
        for life in ("first", "second"):
            async with announced_broker(here, root, f"{life}-{root[:8]}"), asyncio.timeout(30):
                assert (await told.get()).address == here


async def test_no_broker_in_time_is_none() -> None:
    assert await find_broker(f"{uuid.uuid4().hex}/v1", 0.2, LOOPBACK) is None


def test_a_broker_on_loopback_is_announced_on_loopback_only() -> None:
    assert interface_of(BrokerAddress(host="127.0.0.1")) == "127.0.0.1"
    assert interface_of(BrokerAddress(host="192.0.2.9")) == "192.0.2.9"
    for host in ("0.0.0.0", "::", "hall.example.org"):
        with pytest.raises(BadInput, match="announced by"):
            interface_of(BrokerAddress(host=host))
