"""The embedded broker: a child process on 127.0.0.1 that dies with its parent. For one trusted machine."""

from __future__ import annotations

import asyncio
import socket
import tempfile
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from iotcore import Broker

from fleet.discovery.broker_address import BrokerAddress
from fleet.errors import BrokerDown

__all__ = ["BrokerAddress", "embedded_broker"]

HOST = "127.0.0.1"
# The payload limit leaves room above the contract's own, since the broker cuts the connection of whoever exceeds it;
# the packet count lets a replay of retained messages come whole.
_SETTINGS = """\
id = 0

[router]
id = 0
max_connections = 10010
max_outgoing_packet_count = 20000
max_segment_size = 104857600
max_segment_count = 10

[v4.1]
name = "v4-1"
listen = "{listen}"
next_connection_delay_ms = 1

[v4.1.connections]
connection_timeout_ms = 60000
max_payload_size = 262144
max_inflight_count = 100
dynamic_filters = true
"""


@asynccontextmanager
async def embedded_broker(port: int = 0) -> AsyncIterator[BrokerAddress]:
    """Run a broker until the block ends; port 0 takes a free one. It answers when the block begins.

    Raises `BrokerDown` where it cannot start.
    """
    port = port or _free_port()
    with tempfile.TemporaryDirectory(prefix="fleet-broker-") as folder:
        settings = Path(folder) / "broker.toml"
        settings.write_text(_SETTINGS.format(listen=f"{HOST}:{port}"), encoding="utf-8")
        broker = Broker(config_path=str(settings))
        try:
            await asyncio.to_thread(broker.start)
        except (OSError, RuntimeError) as error:
            raise BrokerDown(
                f"the embedded broker does not start on port {port}: {error}", remedy="Is the port in use?"
            ) from None
        try:
            yield BrokerAddress(host=HOST, port=port)
        finally:
            await asyncio.to_thread(broker.stop)


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])
