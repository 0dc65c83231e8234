"""A relay between MQTT clients and their broker, on loopback, that can make the network between them bad.

It handles whole packets, so that what it delays, reorders, drops or doubles is a message and never a part of one.
"""

from __future__ import annotations

import asyncio
import heapq
import itertools
import socket
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from random import Random
from typing import Literal

from fleet.tasks import end
from tests.brokers import LOOPBACK
from tests.network.packets import Packet, Packets

Way = Literal["up", "down"]
"""To the broker, or from it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Weather:
    """What happens to packets. All are delayed, in their order; the rest concerns PUBLISH packets at QoS 0 alone."""

    delay_ms: float = 0.0
    overtake_ms: float = 0.0
    """Each is delayed by up to so much more, and so overtakes others and is overtaken."""
    lost: float = 0.0
    """The share that is dropped."""
    doubled: float = 0.0
    """The share that arrives twice."""


CALM = Weather()


class Relay:
    """Listens on `port` and relays every connection to the broker. `weather` may be changed at any moment."""

    def __init__(self, broker_port: int, seed: int, tap: Callable[[Way, Packet], None] | None = None) -> None:
        self.port = 0
        self.weather = CALM
        self.overtaken = self.lost = self.doubled = 0
        self.connections = 0
        self._broker_port = broker_port
        self._random = Random(seed)
        self._tap = tap
        self._open: set[asyncio.Task[None]] = set()
        print(f"relay with seed {seed}")

    def reseed(self, seed: int) -> None:
        """Begin anew with the chance of another seed."""
        self._random = Random(seed)
        print(f"relay with seed {seed}")

    def cut(self) -> None:
        """Cut every connection, without a farewell to either end. New ones are relayed again."""
        for task in self._open:
            task.cancel()

    @asynccontextmanager
    async def listening(self) -> AsyncIterator[Relay]:
        """Relay until the end of the block."""
        server = await asyncio.start_server(self._accept, LOOPBACK, 0)
        self.port = server.sockets[0].getsockname()[1]
        try:
            yield self
        finally:
            server.close()
            await server.wait_closed()
            while self._open:
                self.cut()
                await asyncio.wait(self._open)

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        task = asyncio.create_task(self._relay(reader, writer), name="relayed connection")
        self._open.add(task)
        task.add_done_callback(self._open.discard)

    async def _relay(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        ends = [writer]
        try:
            broker_reader, broker_writer = await asyncio.open_connection(LOOPBACK, self._broker_port)
            ends.append(broker_writer)
            for end in ends:
                end.get_extra_info("socket").setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            ways = [
                asyncio.create_task(self._carry("up", reader, broker_writer)),
                asyncio.create_task(self._carry("down", broker_reader, writer)),
            ]
            try:
                await asyncio.wait(ways, return_when=asyncio.FIRST_COMPLETED)
            finally:
                await end(*ways)
        except OSError:
            return  # no broker, or an end is gone: both learn it by losing their connection
        finally:
            for end in ends:
                end.transport.abort()

    async def _carry(self, way: Way, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One direction of one connection, until its source ends; what is on the way then still arrives."""
        road = _Road(writer)
        sending = asyncio.create_task(road.send())
        packets = Packets()
        try:
            with suppress(OSError, ValueError):
                while data := await reader.read(65_536):
                    for packet in packets.feed(data):
                        self._dispatch(way, packet, road)
            road.end()
            with suppress(OSError):
                await sending
        finally:
            await end(sending)

    def _dispatch(self, way: Way, packet: Packet, road: _Road) -> None:
        if self._tap is not None:
            self._tap(way, packet)
        weather, chance = self.weather, self._random
        delay_s = weather.delay_ms / 1000
        if not packet.loose:
            road.in_order(packet, delay_s)
            return
        if chance.random() < weather.lost:
            self.lost += 1
            return
        copies = 2 if chance.random() < weather.doubled else 1
        self.doubled += copies - 1
        for _ in range(copies):
            if weather.overtake_ms:
                self.overtaken += road.freely(packet, delay_s + chance.uniform(0, weather.overtake_ms) / 1000)
            else:
                road.in_order(packet, delay_s)


class _Road:
    """Packets on their way to one end, each with the moment at which it arrives."""

    def __init__(self, writer: asyncio.StreamWriter) -> None:
        self._writer = writer
        self._on_the_way: list[tuple[float, int, bytes]] = []
        self._numbers = itertools.count()
        self._news = asyncio.Event()
        self._last_s = 0.0
        self._ended = False

    def in_order(self, packet: Packet, delay_s: float) -> None:
        """Arrives after the delay, and not before what was sent in order before it."""
        self._last_s = max(self._last_s, _now() + delay_s)
        self._put(packet, self._last_s)

    def freely(self, packet: Packet, delay_s: float) -> bool:
        """Arrives after the delay whatever else is on the way; true where it overtakes something."""
        at_s = _now() + delay_s
        overtakes = any(other > at_s for other, _, _ in self._on_the_way)
        self._put(packet, at_s)
        return overtakes

    def end(self) -> None:
        """Nothing more will come."""
        self._ended = True
        self._news.set()

    async def send(self) -> None:
        """Deliver what is on the way, each at its moment, until the end."""
        while self._on_the_way or not self._ended:
            self._news.clear()
            if not self._on_the_way:
                await self._news.wait()
                continue
            if (at_s := self._on_the_way[0][0]) > _now():
                # A timer and not `wait_for`, which in Python 3.11 may lose a cancellation that meets its end.
                timer = asyncio.get_running_loop().call_at(at_s, self._news.set)
                await self._news.wait()
                timer.cancel()
                continue
            self._writer.write(heapq.heappop(self._on_the_way)[2])
            await self._writer.drain()

    def _put(self, packet: Packet, at_s: float) -> None:
        heapq.heappush(self._on_the_way, (at_s, next(self._numbers), packet.data))
        self._news.set()


def _now() -> float:
    return asyncio.get_running_loop().time()
