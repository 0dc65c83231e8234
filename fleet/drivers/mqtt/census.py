"""A census: the retained topics of all shards, slice by slice, each drained before the next is asked for.

A broker may drop what exceeds its queue when it replays thousands of retained messages at once, and says nothing.
A slice stays far below any queue, and a marker that we publish to ourselves after subscribing tells when it is through.
"""

from __future__ import annotations

import asyncio
from contextlib import suppress
from typing import Final

import aiomqtt

from fleet.drivers.mqtt.timings import Timings
from fleet.drivers.mqtt.topics import SHARDS, markers_topic, parse_device_topic, slice_filters
from fleet.errors import BrokerDown, DeviceNonsense

MESSAGES_PER_SLICE: Final = 200
"""A fifth of what a common broker queues by default (1,000)."""
MOST_SHARDS: Final = 32


class Sweep:
    """Subscribes to every shard through one client; the subscriptions stay. `heard` must see all its messages."""

    def __init__(self, client: aiomqtt.Client, root: str, name: str, timings: Timings) -> None:
        self._client = client
        self._root = root
        self._topic = markers_topic(root, name)
        self._timings = timings
        self._marker = b""
        self._back = asyncio.Event()
        self._heard = 0
        self._devices: set[str] | None = set()

    def heard(self, topic: str, payload: bytes) -> bool:
        """Count a message; true where it was a marker, which concerns nobody else."""
        if topic == self._topic:
            if payload == self._marker:
                self._back.set()
            return True
        if self._devices is not None:
            self._heard += 1
            if payload:
                self._note(topic)
        return False

    async def run(self) -> frozenset[str]:
        """Ids of all devices that retain something. Raises `BrokerDown` or `aiomqtt.MqttError`."""
        await self._client.subscribe(self._topic, qos=0)
        begin, size = 0, 1
        while begin < len(SHARDS):
            self._heard = 0
            shards = SHARDS[begin : begin + size]
            await self._client.subscribe([(f, 0) for f in slice_filters(self._root, shards)])
            await self._drain(begin)
            begin += len(shards)
            size = next_size(size, self._heard)
        devices = frozenset(self._devices or ())
        self._devices = None
        return devices

    async def _drain(self, number: int) -> None:
        self._marker = b"%d" % number
        self._back.clear()
        try:
            async with asyncio.timeout(self._timings.drain_s):
                while not self._back.is_set():
                    # Written again, since a broker may drop what exceeds its queue, and that may be the marker.
                    await self._client.publish(self._topic, self._marker, qos=0)
                    with suppress(TimeoutError):
                        async with asyncio.timeout(self._timings.repeat_after_s):
                            await self._back.wait()
        except TimeoutError:
            raise BrokerDown(
                f"the broker does not return what is written to {self._topic}",
                remedy="Its access rules must let a controller read and write there",
            ) from None

    def _note(self, topic: str) -> None:
        assert self._devices is not None
        try:
            self._devices.add(parse_device_topic(self._root, topic).device)
        except DeviceNonsense:
            return


def next_size(size: int, heard: int) -> int:
    """How many shards to ask for next, when `size` of them brought `heard` messages: devices are spread evenly."""
    if heard > MESSAGES_PER_SLICE:
        return max(1, size // 2)
    return min(MOST_SHARDS, size * 2) if heard * 2 <= MESSAGES_PER_SLICE else size
