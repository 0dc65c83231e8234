"""The MQTT client as this driver uses it: a clean session, small packets sent at once, and no cancellation lost.

Every connection to the broker is made here, with TLS where its address says so.
"""

from __future__ import annotations

import asyncio
import math
import socket
from collections.abc import Awaitable
from typing import Self, TypeVar

import aiomqtt

from fleet.discovery.broker_address import BrokerAddress
from fleet.drivers.mqtt.requests import MOST_IN_FLIGHT
from fleet.drivers.mqtt.timings import Timings
from fleet.drivers.mqtt.tls import handshake_trouble, tls_context
from fleet.errors import BrokerDown
from fleet.model.names import shown

T = TypeVar("T")


class Client(aiomqtt.Client):
    """aiomqtt's client, waiting in a way that heeds a cancellation.

    aiomqtt waits with `asyncio.wait_for`, which in Python 3.11 swallows a cancellation that comes in the same turn of
    the loop as the answer: who was cancelled then goes on for ever.
    """

    broker: BrokerAddress | None = None

    async def __aenter__(self) -> Self:
        """Connect. Raises `MqttError`, or `BrokerDown` where TLS or the host's name is what is wrong."""
        try:
            if self.broker is not None and self.broker.tls:
                # Reading whom the system trusts takes tens of milliseconds, which nobody else here has to wait.
                self._client.tls_set_context(await asyncio.to_thread(tls_context, self.broker))
            return await super().__aenter__()
        except aiomqtt.MqttError as error:
            # aiomqtt hands on the words of an error alone; what it was is still its context.
            cause = error.__context__
            if self.broker is not None and self.broker.tls and isinstance(cause, OSError):
                raise handshake_trouble(cause, self.broker) or error from None
            raise
        except ValueError:  # from the encoding of names, which aiomqtt does not expect
            raise BrokerDown(f"{shown(self._hostname, 80)} is no name of a host") from None

    async def _wait_for(self, fut: Awaitable[T], timeout: float | None) -> T:  # noqa: ASYNC109  # as it is overridden
        limit_s = self.timeout if timeout is None else timeout
        try:
            async with asyncio.timeout(None if limit_s == math.inf else limit_s):
                return await fut
        except TimeoutError:
            raise aiomqtt.MqttError("Operation timed out") from None


def new_client(broker: BrokerAddress, identifier: str, timings: Timings) -> Client:
    """A client with a clean session that does not wait for acknowledgements before sending small packets."""
    client = Client(
        broker.host,
        broker.port,
        username=broker.user,
        password=broker.password,
        identifier=identifier,
        clean_session=True,
        timeout=timings.connect_s,
        keepalive=timings.keepalive_s,
        socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
    )
    client.broker = broker
    client.pending_calls_threshold = 2 * MOST_IN_FLIGHT
    return client
