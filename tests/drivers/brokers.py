"""The brokers that the MQTT driver's tests run over: its own embedded one, and Mosquitto where it is installed."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from fleet.drivers.mqtt.broker import BrokerAddress, embedded_broker
from tests.brokers import LOOPBACK, mosquitto

BROKERS = ("embedded", "mosquitto")


@asynccontextmanager
async def running(broker: str, port: int = 0) -> AsyncIterator[BrokerAddress]:
    """A broker for the length of the block, on a free port for 0."""
    if broker == "embedded":
        async with embedded_broker(port) as address:
            yield address
        return
    with TemporaryDirectory() as folder, mosquitto(Path(folder), port) as listening:
        yield BrokerAddress(host=LOOPBACK, port=listening)
