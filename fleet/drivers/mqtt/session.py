"""What happens over one connection: replies and devices' topics are subscribed, messages read, a census taken."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

import aiomqtt

from fleet.discovery.broker_address import BrokerAddress
from fleet.drivers.mqtt.census import Sweep
from fleet.drivers.mqtt.client import new_client
from fleet.drivers.mqtt.timings import Timings
from fleet.drivers.mqtt.topics import replies_topic
from fleet.errors import BrokerDown
from fleet.model.names import shown
from fleet.tasks import end


class Session:
    """One connection after another. `on_message` gets everything but our own markers, by topic and payload."""

    def __init__(
        self,
        broker: BrokerAddress,
        root: str,
        controller: str,
        timings: Timings,
        *,
        on_up: Callable[[], None],
        on_message: Callable[[str, bytes], None],
    ) -> None:
        self._broker = broker
        self._root = root
        self._controller = controller
        self._timings = timings
        self._on_up = on_up
        self._on_message = on_message
        self._sweep: asyncio.Task[frozenset[str]] | None = None
        self._one_census = asyncio.Lock()

    async def live(self, client: aiomqtt.Client) -> None:
        """Read, and subscribe slice by slice meanwhile. Ends by raising what broke the connection."""
        sweep = Sweep(client, self._root, self._controller, self._timings)
        reading = asyncio.create_task(self._read(client, sweep), name="mqtt reading")
        subscribing = asyncio.create_task(self._subscribe(client, sweep), name="mqtt subscribing")
        self._sweep = subscribing
        try:
            await asyncio.wait({reading, subscribing}, return_when=asyncio.FIRST_EXCEPTION)
        finally:
            await end(reading, subscribing)
            self._sweep = None
        for task in (reading, subscribing):
            if not task.cancelled():
                task.result()

    async def census(self) -> frozenset[str]:
        """Ids of all devices that retain something at the broker. Raises `BrokerDown`.

        The first census of a connection is the one that subscribes it; a later one reads through a connection of its
        own, since not every broker replays what is already subscribed.
        """
        async with self._one_census:
            sweep, self._sweep = self._sweep, None
            if sweep is None:
                return await self._census_apart()
            await asyncio.wait({sweep})
            if sweep.cancelled() or sweep.exception() is not None:
                raise BrokerDown(f"the connection to {self._broker} broke in the middle of a census")
            return sweep.result()

    async def _subscribe(self, client: aiomqtt.Client, sweep: Sweep) -> frozenset[str]:
        await client.subscribe(replies_topic(self._root, self._controller), qos=0)
        self._on_up()
        return await sweep.run()

    async def _read(self, client: aiomqtt.Client, sweep: Sweep) -> None:
        async for message in client.messages:
            topic, payload = message.topic.value, message.payload
            if not sweep.heard(topic, payload):
                self._on_message(topic, payload)

    async def _census_apart(self) -> frozenset[str]:
        name = f"{self._controller}-census"
        try:
            async with new_client(self._broker, name, self._timings) as client:
                sweep = Sweep(client, self._root, name, self._timings)
                reading = asyncio.create_task(self._read(client, sweep), name="mqtt census reading")
                try:
                    return await sweep.run()
                finally:
                    await end(reading)
        except aiomqtt.MqttError as error:
            raise BrokerDown(f"no census of {self._broker}: {shown(str(error), 200)}") from None
