"""The MQTT client as this driver uses it: a clean session, small packets sent at once, and no cancellation lost."""

from __future__ import annotations

import asyncio
import math
import socket
from collections.abc import Awaitable
from typing import TypeVar

import aiomqtt

from fleet.discovery.broker_address import BrokerAddress
from fleet.drivers.mqtt.requests import MOST_IN_FLIGHT
from fleet.drivers.mqtt.timings import Timings

T = TypeVar("T")


class Client(aiomqtt.Client):
    """aiomqtt's client, waiting in a way that heeds a cancellation.

    aiomqtt waits with `asyncio.wait_for`, which in Python 3.11 swallows a cancellation that comes in the same turn of
    the loop as the answer: who was cancelled then goes on for ever.
    """

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
    client.pending_calls_threshold = 2 * MOST_IN_FLIGHT
    return client
