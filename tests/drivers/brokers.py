"""The brokers that the MQTT tests run over: the embedded one, and Mosquitto where it is installed."""

from __future__ import annotations

import asyncio
import os
import shutil
import socket
import subprocess
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from fleet.drivers.mqtt.broker import BrokerAddress, embedded_broker

BROKERS = ("embedded", "mosquitto")
_MOSQUITTO = """\
listener {port} 127.0.0.1
allow_anonymous true
set_tcp_nodelay true
persistence false
message_size_limit 262144
"""


def need(broker: str) -> None:
    """Skip where a broker is not installed; fail where everything is to be tested."""
    if broker == "mosquitto" and mosquitto() is None:
        if os.environ.get("FLEET_TEST_ALL") == "1":
            pytest.fail("FLEET_TEST_ALL=1, but mosquitto is not installed")
        pytest.skip("mosquitto is not installed")


def mosquitto() -> str | None:
    """Debian keeps it where only root's PATH looks."""
    return shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@asynccontextmanager
async def running(broker: str, port: int = 0) -> AsyncIterator[BrokerAddress]:
    """A broker for the length of the block."""
    need(broker)
    if broker == "embedded":
        async with embedded_broker(port) as address:
            yield address
        return
    port = port or free_port()
    with TemporaryDirectory() as folder:
        settings = Path(folder) / "mosquitto.conf"
        settings.write_text(_MOSQUITTO.format(port=port))
        program = mosquitto()
        assert program is not None
        process = await asyncio.create_subprocess_exec(
            program, "-c", str(settings), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        try:
            await _answers(port)
            yield BrokerAddress(host="127.0.0.1", port=port)
        finally:
            process.terminate()
            await process.wait()


async def _answers(port: int) -> None:
    async with asyncio.timeout(10):
        while True:
            with suppress(OSError):
                _, writer = await asyncio.open_connection("127.0.0.1", port)
                writer.close()
                return
            await asyncio.sleep(0.01)
