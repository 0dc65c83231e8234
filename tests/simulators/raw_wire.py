"""Brokers, running simulators, and a raw MQTT controller that knows topics and nothing else."""

from __future__ import annotations

import asyncio
import hashlib
import json
import socket
import subprocess
import sys
import tempfile
import uuid
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

Json = dict[str, Any]
ROOT = "loudspeakers/v1"
REPOSITORY = Path(__file__).parents[2]

DEVICES = """
format: 1
devices:
  - {id: full, model: Fennbeck 12, serial: S-1, firmware: 2.3.1, mac: "02:00:5e:00:00:01", slot: 5, house_slot: 5,
     input: network, outputs: {1: {level_db: -6}}}
  - {id: fill, model: Rillet 5, serial: S-2, firmware: 1.8.0, mac: "02:00:5e:00:00:02", slot: 4, house_slot: 4,
     input: network, outputs: {1: {level_db: -12}}}
  - {id: sub, model: Undermere 18, serial: S-3, firmware: 3.0.4, mac: "02:00:5e:00:00:03"}
  - {id: column, model: Reedwater 84, serial: S-4, firmware: 5.1.2, mac: "02:00:5e:00:00:04"}
  - {id: amplifier, model: Weirhouse 4, serial: S-5, firmware: 4.2.0, mac: "02:00:5e:00:00:05"}
  - {id: plain, model: Millrace 8, serial: S-6, firmware: 1.0.9, mac: "02:00:5e:00:00:06"}
"""


@dataclass
class Run:
    """Running simulators."""

    port: int
    state: Path
    process: subprocess.Popen[str]
    ready: Json


@contextmanager
def simulators(port: int, *options: str, state: Path | None = None) -> Iterator[Run]:
    """Simulators until the end of the block, and then the proof that they ended clean."""
    with tempfile.TemporaryDirectory(prefix="sim-") as fresh:
        folder = state or Path(fresh)
        words = [sys.executable, "-m", "simulators", "--broker", f"127.0.0.1:{port}", "--state", str(folder)]
        process = subprocess.Popen([*words, *options], cwd=REPOSITORY, stdout=subprocess.PIPE, text=True)
        try:
            assert process.stdout is not None
            line = process.stdout.readline()
            assert line, "the simulators ended before they were ready"
            yield Run(port, folder, process, json.loads(line))
        finally:
            process.terminate()
            ended = process.wait()
            assert process.stdout is not None
            process.stdout.close()
        assert ended == 0


@dataclass
class Wire:
    """A controller with nothing but MQTT: sends requests, hears replies, and remembers what is retained."""

    client: aiomqtt.Client
    controller: str
    epoch: int = 0
    heard: dict[str, list[Any]] = field(default_factory=dict)
    _news: asyncio.Condition = field(default_factory=asyncio.Condition)

    async def listen(self) -> None:
        async for message in self.client.messages:
            try:
                told = json.loads(bytes(message.payload))
            except (ValueError, RecursionError):
                told = bytes(message.payload)
            async with self._news:
                self.heard.setdefault(message.topic.value, []).append(told)
                self._news.notify_all()

    async def until(self, topic: str, fits: Callable[[Any], bool]) -> Any:
        """The latest message of the topic once it fits."""

        def arrived() -> bool:
            return bool(self.heard.get(topic)) and fits(self.heard[topic][-1])

        async with self._news:
            try:
                async with asyncio.timeout(15):
                    await self._news.wait_for(arrived)
            except TimeoutError:
                pytest.fail(f"{topic} stayed at {self.heard.get(topic, [None])[-1]!r}"[:2000])
        return self.heard[topic][-1]

    async def replies(self, request: str, count: int = 1) -> list[Json]:
        """The replies to one request once there are so many."""
        topic = f"{ROOT}/controllers/{self.controller}/replies"

        def found() -> list[Json]:
            return [reply for reply in self.heard.get(topic, []) if reply["id"] == request]

        async with self._news:
            async with asyncio.timeout(15):
                await self._news.wait_for(lambda: len(found()) >= count)
        return found()

    async def send(self, device: str, message: Json | bytes, *, retain: bool = False) -> None:
        payload = message if isinstance(message, bytes) else json.dumps(message)
        await self.client.publish(topic(device, "request"), payload, retain=retain)

    def message(self, action: str, body: Json | None = None, **members: Any) -> Json:
        message: Json = {"v": 1, "id": f"r-{uuid.uuid4()}", "controller": self.controller, "epoch": self.epoch}
        return {**message, "action": action, "body": body or {}, **members}

    async def ask(self, device: str, action: str, body: Json | None = None, **members: Any) -> Json:
        """One request as a good controller makes it, and its reply; members given replace its own."""
        if action != "get":
            now = (await self.ask(device, "get"))["result"]
            good: Json = {"deadline_uptime_ms": now["uptime_ms"] + 60_000}
            if action in ("stage", "commit", "set", "restart"):
                good["expect"] = {"boot_id": now["boot_id"], "revision": now["revision"]}
            members = {**good, **members}
        message = self.message(action, body, **members)
        await self.send(device, message)
        return (await self.replies(message["id"]))[0]

    async def do(self, device: str, action: str, body: Json | None = None, **members: Any) -> Json:
        """The result of a request that must succeed."""
        reply = await self.ask(device, action, body, **members)
        assert reply["ok"], reply
        result: Json = reply["result"]
        return result

    async def state(self, device: str) -> Json:
        state: Json = (await self.do(device, "get"))["state"]
        return state


def topic(device: str, name: str) -> str:
    return f"{ROOT}/devices/{hashlib.sha256(device.encode()).hexdigest()[:2]}/{device}/{name}"


@asynccontextmanager
async def controller(port: int, name: str = "raw-1", filters: str = f"{ROOT}/devices/+/+/+") -> AsyncIterator[Wire]:
    nodelay = (socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    async with aiomqtt.Client("127.0.0.1", port, identifier=name, socket_options=[nodelay]) as client:
        wire = Wire(client, name)
        listening = asyncio.create_task(wire.listen())
        await client.subscribe(f"{ROOT}/controllers/{name}/replies")
        await client.subscribe(filters)
        try:
            yield wire
        finally:
            listening.cancel()
            await asyncio.gather(listening, return_exceptions=True)
