"""mDNS: announcing the devices as `_loudspeaker._tcp`, and finding a broker that is announced with its topic root."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable, Iterable

from zeroconf import IPVersion, ServiceStateChange, Zeroconf
from zeroconf.asyncio import AsyncServiceBrowser, AsyncServiceInfo, AsyncZeroconf

from .population import Simulated
from .topics import Broker

DEVICE_TYPE = "_loudspeaker._tcp.local."
BROKER_TYPE = "_mqtt._tcp.local."


class Network:
    """One mDNS stack on one interface, for all devices of a supervisor."""

    def __init__(self, interface: str) -> None:
        self._interface = interface
        self._zeroconf = AsyncZeroconf(interfaces=[interface], ip_version=IPVersion.V4Only)
        self._browser: AsyncServiceBrowser | None = None
        self._tasks: set[asyncio.Task[None]] = set()

    async def announce(self, devices: Iterable[Simulated], port: int) -> None:
        """Announce every device; `port` is its link's, which is the broker's."""
        waiting = [
            await self._zeroconf.async_register_service(
                device_record(device, self._interface, port), cooperating_responders=True
            )
            for device in devices
        ]
        await asyncio.gather(*waiting)

    async def announce_anew(self, devices: Iterable[Simulated], port: int) -> None:
        """Announce that the devices' links are on another port now."""
        waiting = [
            await self._zeroconf.async_update_service(device_record(device, self._interface, port))
            for device in devices
        ]
        await asyncio.gather(*waiting)

    def watch_brokers(self, found: Callable[[Broker], None], wanted: str | None = None) -> None:
        """Call `found` with every broker that names a topic root, now and when it changes.

        Where brokers of several daemons share a network, only one with the `wanted` root is these devices' own.
        """

        def look(broker: Broker) -> None:
            if wanted in (None, broker.root):
                found(broker)

        def on_change(zeroconf: Zeroconf, service_type: str, name: str, state_change: ServiceStateChange) -> None:
            if state_change is not ServiceStateChange.Removed:
                task = asyncio.get_running_loop().create_task(self._resolve(zeroconf, service_type, name, look))
                self._tasks.add(task)
                task.add_done_callback(self._tasks.discard)

        self._browser = AsyncServiceBrowser(self._zeroconf.zeroconf, BROKER_TYPE, handlers=[on_change])

    async def close(self) -> None:
        """Say goodbye for all devices."""
        if self._browser:
            await self._browser.async_cancel()
        await self._zeroconf.async_close()

    async def _resolve(self, zeroconf: Zeroconf, service_type: str, name: str, found: Callable[[Broker], None]) -> None:
        info = AsyncServiceInfo(service_type, name)
        if not await info.async_request(zeroconf, 3_000):
            return
        root = (info.decoded_properties or {}).get("root")
        addresses = info.parsed_addresses(IPVersion.V4Only)
        if root and addresses and info.port:
            found(Broker(addresses[0], info.port, root))


def device_record(device: Simulated, address: str, port: int) -> AsyncServiceInfo:
    """The announcement of one device; the instance name is the device id."""
    identity = device.identity
    return AsyncServiceInfo(
        DEVICE_TYPE,
        f"{identity.device}.{DEVICE_TYPE}",
        addresses=[socket.inet_aton(address)],
        port=port,
        properties={
            "txtvers": "1",
            "id": identity.device,
            "model": device.model.name,
            "fw": identity.firmware,
            "link": "mqtt",
        },
        server=f"{identity.device}.local.",
    )
