"""What partition contacts and wall panels write to topics on the devices' broker: one connection of its own for it."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from random import Random
from typing import Final

import aiomqtt

from fleet.discovery.broker_address import BrokerAddress
from fleet.drivers.mqtt.link import Link
from fleet.drivers.mqtt.timings import Timings
from fleet.model.names import shown
from fleet.model.topics import inside
from fleet.tasks import end

log = logging.getLogger(__name__)

LONGEST: Final = 1024
"""Bytes of a payload that are passed on; no value of a contact is as long."""


class ContactLink:
    """Subscribes to topics and passes on what comes there: topic, payload, and whether the broker had kept it.

    QoS 0: what is kept then arrives in full on every broker, and what a connection loses is kept or repeated.
    `run` keeps the connection up until it is cancelled.
    """

    def __init__(
        self,
        broker: BrokerAddress,
        root: str,
        identifier: str,
        *,
        random: Random,
        timings: Timings,
        heard: Callable[[str, bytes, bool], None],
    ) -> None:
        self._broker = broker
        self._root = root
        self._heard = heard
        self._wanted: frozenset[str] = frozenset()
        self._changed = asyncio.Event()
        self._link = Link(
            broker, identifier, random=random, timings=timings, session=self._live, on_down=self._went_down
        )
        self._told_down = ""

    def subscribe(self, topics: frozenset[str]) -> None:
        """Hear these topics from now on, and no others. One where the devices are is refused, and that is logged."""
        for topic in sorted(topics - self._wanted):
            if inside(topic, self._root):
                log.warning("the contact on %s is not heard: it is inside %s, where the devices are", topic, self._root)
        self._wanted = frozenset(topic for topic in topics if not inside(topic, self._root))
        self._changed.set()

    async def run(self) -> None:
        """Connect, hear, and connect again, until cancelled; without a topic there is no connection."""
        while not self._wanted:
            await self._changed.wait()
            self._changed.clear()
        await self._link.run()

    async def _live(self, client: aiomqtt.Client) -> None:
        reading = asyncio.create_task(self._read(client), name="mqtt reading contacts")
        subscribing = asyncio.create_task(self._subscribe(client), name="mqtt subscribing contacts")
        try:
            await asyncio.wait({reading, subscribing}, return_when=asyncio.FIRST_EXCEPTION)
        finally:
            await end(reading, subscribing)
        for task in (reading, subscribing):
            if not task.cancelled():
                task.result()

    async def _subscribe(self, client: aiomqtt.Client) -> None:
        """Follow what is wanted for as long as the connection lives."""
        have: frozenset[str] = frozenset()
        while True:
            self._changed.clear()
            wanted = self._wanted
            for topic in sorted(have - wanted):
                await client.unsubscribe(topic)
            for topic in sorted(wanted - have):
                await client.subscribe(topic, qos=0)
            have = wanted
            self._link.came_up()
            self._told_down = ""
            await self._changed.wait()

    async def _read(self, client: aiomqtt.Client) -> None:
        async for message in client.messages:
            topic = message.topic.value
            if topic in self._wanted:
                self._heard(topic, message.payload[:LONGEST], bool(message.retain))

    def _went_down(self, why: str) -> None:
        if why != self._told_down:
            log.warning("contacts are not heard: no connection to %s: %s", self._broker, shown(why, 200))
        self._told_down = why
