"""The connection to the broker: kept up by itself, with capped and jittered back-off."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable
from enum import StrEnum
from random import Random

import aiomqtt

from fleet.discovery.broker_address import BrokerAddress
from fleet.drivers.mqtt.client import new_client
from fleet.drivers.mqtt.timings import Timings
from fleet.errors import BrokerDown
from fleet.model.names import shown

log = logging.getLogger(__name__)


class LinkState(StrEnum):
    """Where the connection stands."""

    CLOSED = "closed"
    CONNECTING = "connecting"
    UP = "up"
    WAITING = "waiting"


class Link:
    """One connection after another. `session` lives as long as one of them and ends by raising."""

    def __init__(
        self,
        broker: BrokerAddress,
        identifier: str,
        *,
        random: Random,
        timings: Timings,
        session: Callable[[aiomqtt.Client], Awaitable[None]],
        on_down: Callable[[str], None],
    ) -> None:
        self.state = LinkState.CLOSED
        self.why = "not connected yet"
        self._broker = broker
        self._identifier = identifier
        self._random = random
        self._timings = timings
        self._session = session
        self._on_down = on_down
        self._client: aiomqtt.Client | None = None
        self._failures = 0
        self._woken = asyncio.Event()
        self._no_early_before_s = 0.0

    async def run(self) -> None:
        """Connect, live, wait, connect again, until cancelled."""
        try:
            while True:
                self.state = LinkState.CONNECTING
                self.why = await self._connection()
                self.state = LinkState.WAITING
                self._on_down(self.why)
                await self._wait(backoff_s(self._failures, self._timings, self._random))
                self._failures += 1
        finally:
            self.state = LinkState.CLOSED

    def came_up(self) -> None:
        """The session can serve requests now."""
        self.state = LinkState.UP
        self._failures = 0
        self._woken.clear()

    def wake(self) -> None:
        """There is a sign of life on the network: end a wait for the next attempt, at most once in `early_every_s`."""
        if self.state is not LinkState.UP:
            self._woken.set()

    async def publish(self, topic: str, payload: bytes) -> None:
        """Send at QoS 0. Raises `BrokerDown`."""
        if self._client is None or self.state is not LinkState.UP:
            raise BrokerDown(f"no connection to {self._broker}: {self.why}")
        try:
            await self._client.publish(topic, payload, qos=0)
        except aiomqtt.MqttError as error:
            raise BrokerDown(f"the connection to {self._broker} broke: {shown(str(error), 200)}") from None

    async def _wait(self, longest_s: float) -> None:
        """Wait before the next attempt, less where somebody wakes us; a chatter of signs makes no busy loop."""
        now = asyncio.get_running_loop().time
        try:
            async with asyncio.timeout(longest_s):
                await self._woken.wait()
                await asyncio.sleep(self._no_early_before_s - now())
                self._no_early_before_s = now() + self._timings.early_every_s
        except TimeoutError:
            pass
        self._woken.clear()

    async def _connection(self) -> str:
        """Live through one connection; why it ended, in words."""
        try:
            async with new_client(self._broker, self._identifier, self._timings) as client:
                self._client = client
                await self._session(client)
        except (aiomqtt.MqttError, BrokerDown) as error:
            log.debug("connection to %s: %s", self._broker, error)
            return shown(str(error), 200)
        finally:
            self._client = None
        return "the session ended"


def backoff_s(failures: int, timings: Timings, random: Random) -> float:
    """Seconds to wait after so many failures in a row: doubled each time up to a cap, then shortened by up to half.

    The jitter keeps many clients from coming back to a restarted broker at the same moment.
    """
    most = min(timings.backoff_most_s, timings.backoff_first_s * 2.0 ** min(failures, 30))
    return most * random.uniform(0.5, 1.0)
