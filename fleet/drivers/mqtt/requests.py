"""Request and reply: repeats under the same id, one request a device at a time, a bounded number in flight."""

from __future__ import annotations

import asyncio
from collections import defaultdict
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Final

from fleet.drivers.mqtt import codec, wire, wire_requests
from fleet.drivers.mqtt.timings import Timings
from fleet.errors import BrokerDown, DeviceNonsense, DeviceSilent

MOST_IN_FLIGHT: Final = 50


@dataclass(frozen=True, slots=True)
class _Open:
    device: str
    reply: asyncio.Future[wire.Reply]


class Requests:
    """Open requests by id. `send` publishes a payload to a device and raises `BrokerDown` where it cannot."""

    def __init__(self, send: Callable[[str, bytes], Awaitable[None]], timings: Timings) -> None:
        self._send = send
        self._timings = timings
        self._open: dict[str, _Open] = {}
        self._turn: defaultdict[str, asyncio.Lock] = defaultdict(asyncio.Lock)
        self._room = asyncio.Semaphore(MOST_IN_FLIGHT)

    async def ask(self, device: str, build: Callable[[], wire_requests.Request]) -> wire.Reply:
        """The device's reply to a request that is built when its turn comes.

        Raises `BrokerDown`, `DeviceSilent`, or `DeviceNonsense` for a reply that cannot be read.
        """
        async with self._turn[device], self._room:
            request = build()
            payload = codec.encode_request(request)
            entry = _Open(device, asyncio.get_running_loop().create_future())
            self._open[request.id] = entry
            try:
                return await self._repeat(entry, payload)
            finally:
                del self._open[request.id]

    def heard(self, payload: bytes) -> None:
        """Take a reply in. Late and doubled ones find nothing open and are dropped.

        Raises `DeviceNonsense` for what is no reply, or one by a device that was not asked.
        """
        try:
            reply = codec.decode_reply(payload)
        except DeviceNonsense as error:
            raise self._spoil(payload, error) from None
        entry = self._open.get(reply.id)
        if entry is None:
            return
        if entry.device != reply.device:
            raise DeviceNonsense(reply.device, f"answered a request to {entry.device}")
        if not entry.reply.done():
            entry.reply.set_result(reply)

    def _spoil(self, payload: bytes, error: DeviceNonsense) -> DeviceNonsense:
        """Let the request that an unreadable reply answers fail at once instead of waiting it out."""
        head = codec.decode_reply_head(payload)
        if head is None:
            return error
        named = DeviceNonsense(head.device, error.what.removeprefix(": "))
        entry = self._open.get(head.id)
        if entry is not None and entry.device == head.device and not entry.reply.done():
            entry.reply.set_exception(named)
        return named

    async def _repeat(self, entry: _Open, payload: bytes) -> wire.Reply:
        down: BrokerDown | None = None
        for attempt in range(self._timings.attempts):
            try:
                await self._send(entry.device, payload)
                down = None
            except BrokerDown as error:
                if attempt == 0:
                    raise
                down = error
            await asyncio.wait({entry.reply}, timeout=self._timings.repeat_after_s)
            if entry.reply.done():
                return entry.reply.result()
        raise down or DeviceSilent(entry.device, f"did not answer within {self._timings.answer_s:g} s")
