"""Does mDNS work on an interface: a service of our own is announced there, and has to be seen."""

from __future__ import annotations

import asyncio
import ipaddress
import secrets
from collections.abc import Sequence

import ifaddr
from zeroconf.asyncio import AsyncServiceInfo

from fleet.discovery.browse import open_mdns
from fleet.discovery.records import Announcement
from fleet.discovery.watch import Watch
from fleet.errors import BadInput
from fleet.services.self_check.result import Result, not_checked, ok, trouble

SERVICE = "_fleet-check._tcp.local."
"""A type of its own, so that nobody takes the check for a device or a broker."""
WITHIN_S = 4.0


def addresses() -> tuple[str, ...]:
    """The IPv4 addresses of this machine, one for each interface."""
    found: dict[str, str] = {}
    for adapter in ifaddr.get_adapters():
        for address in adapter.ips:
            if isinstance(address.ip, str):
                found.setdefault(adapter.name, address.ip)
    return tuple(found.values())


async def check_mdns(interfaces: Sequence[str]) -> list[Result]:
    """Each of these interfaces, by address; all where none is named."""
    chosen = interfaces or addresses()
    if not chosen:
        return [not_checked("mdns", "this machine has no interface with an IPv4 address")]
    return list(await asyncio.gather(*map(_check, chosen)))


async def _check(interface: str) -> Result:
    check = f"mdns on {interface}"
    name = f"check-{secrets.token_hex(4)}.{SERVICE}"
    seen = asyncio.Event()

    def found(announced: Announcement) -> None:
        if announced.name == name:
            seen.set()

    try:
        packed = ipaddress.ip_address(interface).packed
        announcing, browsing = open_mdns([interface]), open_mdns([interface])
    except (BadInput, ValueError) as error:
        return trouble(check, str(error), "Name the address of an interface: `ip address` lists them.")
    watch = Watch(browsing.zeroconf, SERVICE, found, lambda _: None)
    try:
        info = AsyncServiceInfo(SERVICE, name, addresses=[packed], port=9, server=f"{name.partition('.')[0]}.local.")
        await announcing.async_register_service(info, cooperating_responders=True)
        async with asyncio.timeout(WITHIN_S):
            await seen.wait()
    except TimeoutError:
        remedy = "Is multicast allowed there (`ip link`: MULTICAST), and UDP port 5353 in the firewall?"
        return trouble(check, "what was announced did not arrive", remedy)
    except OSError as error:
        return trouble(check, f"nothing can be sent: {error.strerror}", "Is the interface up? `ip link` tells.")
    finally:
        await watch.close()
        await announcing.async_unregister_all_services()
        await announcing.async_close()
        await browsing.async_close()
    return ok(check, "announced and seen")
