"""Brokers by mDNS: finding the one that devices use, and announcing one that was started here."""

from __future__ import annotations

import asyncio
import ipaddress
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager

from zeroconf.asyncio import AsyncServiceInfo

from fleet.discovery.broker_address import BrokerAddress
from fleet.discovery.browse import open_mdns
from fleet.discovery.records import BROKER_SERVICE, TXT_VERSION, Announcement, FoundBroker, broker_of
from fleet.discovery.watch import Watch
from fleet.errors import BadInput

LOOPBACK = "127.0.0.1"


async def find_broker(root: str, within_s: float, interfaces: Sequence[str] = ()) -> FoundBroker | None:
    """The first announced broker that serves this topic root; `None` where none is heard of in time."""
    found: asyncio.Future[FoundBroker] = asyncio.get_running_loop().create_future()

    def look(announced: Announcement) -> None:
        broker = broker_of(announced)
        if isinstance(broker, FoundBroker) and broker.root == root and not found.done():
            found.set_result(broker)

    mdns = open_mdns(interfaces)
    watch = Watch(mdns.zeroconf, BROKER_SERVICE, look, lambda _: None)
    try:
        await asyncio.wait({found}, timeout=within_s)
        return found.result() if found.done() else None
    finally:
        await watch.close()
        await mdns.async_close()


@asynccontextmanager
async def announced_broker(broker: BrokerAddress, root: str, name: str) -> AsyncIterator[None]:
    """Announce a broker for the length of the block, only on the interface where it can be reached.

    `name` is the instance name; another one is taken where it is in use. Raises `BadInput` for a host that is no
    address of this machine.
    """
    mdns = open_mdns([interface_of(broker)])
    service = AsyncServiceInfo(
        BROKER_SERVICE,
        f"{name}.{BROKER_SERVICE}",
        addresses=[ipaddress.ip_address(broker.host).packed],
        port=broker.port,
        properties={"txtvers": TXT_VERSION, "root": root},
        server=f"{name}.local.",
    )
    try:
        await (await mdns.async_register_service(service, allow_name_change=True))
        yield
    finally:
        await mdns.async_unregister_all_services()
        await mdns.async_close()


def interface_of(broker: BrokerAddress) -> str:
    """The address of the one interface through which a broker can be reached. Raises `BadInput`."""
    try:
        address = ipaddress.ip_address(broker.host)
    except ValueError:
        raise BadInput(f"{broker.host} is no address, and a broker is announced by its address") from None
    if address.is_unspecified:
        raise BadInput("a broker that listens everywhere is announced by one address of this machine, not by all")
    return LOOPBACK if address.is_loopback else broker.host
