"""The MQTT client: a cancellation is heeded in whatever turn of the loop it comes."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from fleet.drivers.mqtt.broker import embedded_broker
from fleet.drivers.mqtt.client import Client


class Followed(Client):
    """Tells when the broker has acknowledged something."""

    def __init__(self, port: int) -> None:
        super().__init__("127.0.0.1", port)
        self.acknowledged = asyncio.Event()

    def _on_publish(self, *members: Any) -> None:
        super()._on_publish(*members)
        self.acknowledged.set()


@pytest.mark.parametrize("turns", range(6))
async def test_a_cancellation_that_meets_the_answer_is_heeded(turns: int) -> None:
    async def publish_for_ever() -> None:
        while True:
            await client.publish("a/topic", b"words", qos=1)
            await asyncio.sleep(600)  # where it goes on with a cancellation lost

    async with embedded_broker() as address, Followed(address.port) as client:
        task = asyncio.create_task(publish_for_ever())
        await client.acknowledged.wait()
        for _ in range(turns):
            await asyncio.sleep(0)
        task.cancel()
        await asyncio.wait({task}, timeout=5)
        assert task.cancelled()
