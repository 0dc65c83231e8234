"""A simulated device in this process whose connection and answers a test spoils at a chosen moment of a change."""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from typing import Any

import aiomqtt

from fleet.tasks import end
from simulators.abilities import Identity
from simulators.condition import Kept, factory_fresh
from simulators.device import Device
from simulators.faults import Faults
from simulators.models import MODELS
from simulators.panel import press
from simulators.topics import device_topic, replies_topic

Json = dict[str, Any]

BOOT_S = 0.1
OFF_S = 1.4
"""Longer than the controller of these tests waits for an answer."""
LATE_S = 1.0
SPENT = 75_000
"""Milliseconds after which every timer of a device has run out, that of a trial of ten seconds too."""


class FaultyBox:
    """One device over all its boots. `moment` tells at which request the `fault` strikes, once."""

    def __init__(self, device: str, number: int, model: str, root: str, port: int, level_db: float) -> None:
        self.id = device
        self.moment: Callable[[FaultyBox, Json], bool] | None = None
        self.fault = ""
        self.struck = False
        self.requests: list[Json] = []
        self._model = MODELS[model]
        self._identity = Identity(device, f"FB-{number:03d}", self._model.firmware, f"02:00:5e:02:00:{number:02x}")
        self._root, self._port = root, port
        self._boots = 0
        self._off_s = BOOT_S
        self._client: aiomqtt.Client | None = None
        self._deaf = False
        self._forges = False
        self._later: set[asyncio.Task[None]] = set()
        self._last_reply: Json = {}
        self._overtaken: Json | None = None
        self._skipped_ms = 0
        self._device = self._boot(_at_level(factory_fresh(self._model), level_db))

    @property
    def level_db(self) -> float:
        return float(self._device.running.live.outputs[0]["level_db"])

    @property
    def open_change(self) -> str | None:
        opened = self._device.running.changes.open
        return opened.change if opened else None

    @property
    def committed(self) -> bool:
        opened = self._device.running.changes.open
        return opened is not None and opened.committed

    @property
    def reverted(self) -> bool:
        return "reverted" in self._device.running.changes._endings.values()

    def turn_knob(self, level_db: float) -> None:
        """A person at the front panel."""
        press(self._device.running, {"set": {"level_db": level_db}, "output": 1})
        self._tell()

    def cut_power(self, off_s: float = BOOT_S) -> None:
        """Nothing is said any more; it boots again `off_s` later."""
        self._off_s = off_s
        connection = self._client._client.socket() if self._client else None
        if isinstance(connection, socket.socket):
            with contextlib.suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)

    def let_time_pass(self) -> None:
        """All its timers run out."""
        self._skipped_ms += SPENT
        self._device.running.tick(self._uptime_ms())
        self._tell()

    def be_held_by_another(self) -> None:
        """Another controller has committed something, on a timer, and is not heard of again."""
        for number, (action, body) in enumerate(
            (
                ("stage", {"phase": 1, "settings": {"outputs": [{"output": 1, "level_db": -20.0}]}}),
                ("commit", {"phase": 1, "revert_after_ms": 30_000}),
            )
        ):
            reply = self._device.handle(
                {
                    "v": 1,
                    "id": f"x-{number}",
                    "controller": "another",
                    "deadline_uptime_ms": self._uptime_ms() + 1000,
                    "epoch": 1,
                    "expect": {"boot_id": self._device.boot_id, "revision": self._device.running.revision},
                    "action": action,
                    "body": {"change": "x-1", **body},
                },
                self._uptime_ms(),
            )
            assert reply is not None
            assert reply["ok"], reply
        self._tell()

    def be_well(self) -> None:
        """From here on nothing is spoilt."""
        self._deaf = self._forges = False
        self.moment = None

    @asynccontextmanager
    async def alive(self) -> AsyncIterator[None]:
        """Powered for the length of the block, and connected at its beginning."""
        connected = asyncio.Event()
        task = asyncio.create_task(self._run(connected), name=f"box {self.id}")
        await connected.wait()
        try:
            yield
        finally:
            await end(task, *self._later)

    async def _run(self, connected: asyncio.Event) -> None:
        while True:
            with contextlib.suppress(aiomqtt.MqttError):
                await self._live(connected)
            await asyncio.sleep(self._off_s)
            self._off_s = BOOT_S
            self._device = self._boot(self._device.running.kept)

    async def _live(self, connected: asyncio.Event) -> None:
        will = aiomqtt.Will(self._topic("presence"), json.dumps(self._presence(online=False)), 1, retain=True)
        options = [(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)]
        client = aiomqtt.Client("127.0.0.1", self._port, identifier=self.id, will=will, socket_options=options)
        async with client:
            self._client = client
            await client.subscribe(self._topic("request"), qos=0)
            self._publish("presence", self._presence(online=True))
            self._publish("description", self._device.description())
            self._tell()
            connected.set()
            async for message in client.messages:
                self._hear(json.loads(bytes(message.payload)))

    def _hear(self, request: Json) -> None:
        self.requests.append(request)
        if self.moment is not None and not self.struck and self.moment(self, request):
            self.struck = True
            self._strike(request)
        elif self._overtaken is not None and request["action"] == "stage":
            self._overtaken = request
        elif not self._deaf:
            self._answer(request)
            if request["action"] == "abort" and self._overtaken is not None:
                late, self._overtaken = self._overtaken, None
                self._answer(late)

    def _strike(self, request: Json) -> None:
        match self.fault:
            case "reboots" | "loses power":
                self.cut_power(BOOT_S if self.fault == "reboots" else OFF_S)
            case "falls silent":
                self._deaf = True
            case "answers twice":
                self._answer(request, times=2)
            case "answers late":
                self._answer(request, after_s=LATE_S)
            case "repeats an older answer first":
                self._say(request, self._last_reply)
                self._answer(request)
            case "answers nonsense":
                self._say(request, {"v": 1, "id": request["id"], "device": self.id, "ok": "maybe"})
            case "hears it after the abort":
                self._overtaken = request
            case "goes back by itself first":
                self.let_time_pass()
                self._answer(request)
            case "accepts and does nothing":
                self._forges = True
                self._answer(request)
            case "does something else":
                self._answer(request)
                self.turn_knob(self.level_db - 3)
            case "is turned down at the panel":
                self.turn_knob(self.level_db - 3)
                self._answer(request)
            case other:
                raise AssertionError(other)

    def _answer(self, request: Json, *, times: int = 1, after_s: float = 0.0) -> None:
        if self._forges and request["action"] != "get":
            reply = self._forged(request)
        else:
            handled = self._device.handle(request, self._uptime_ms())
            assert handled is not None
            reply = handled
        self._last_reply = reply
        for _ in range(times):
            if after_s:
                task = asyncio.get_running_loop().create_task(self._say_later(request, reply, after_s))
                self._later.add(task)
                task.add_done_callback(self._later.discard)
            else:
                self._say(request, reply)
        self._tell()

    def _forged(self, request: Json) -> Json:
        where = {"boot_id": self._device.boot_id, "revision": self._device.running.revision + 1}
        result = {**where, "uptime_ms": self._uptime_ms()}
        return {"v": 1, "id": request["id"], "device": self.id, "ok": True, "result": result}

    async def _say_later(self, request: Json, reply: Json, after_s: float) -> None:
        await asyncio.sleep(after_s)
        self._say(request, reply)

    def _say(self, request: Json, reply: Json) -> None:
        self._send(replies_topic(self._root, request["controller"]), reply, retain=False)

    def _tell(self) -> None:
        self._publish("state", self._device.state(self._uptime_ms()))
        self._publish("slots", self._device.slots(self._uptime_ms()))

    def _publish(self, name: str, message: Json) -> None:
        self._send(self._topic(name), message, retain=True)

    def _send(self, topic: str, message: Json, *, retain: bool) -> None:
        if self._client is not None:
            self._client._client.publish(topic, json.dumps(message), 1 if retain else 0, retain)

    def _boot(self, kept: Kept) -> Device:
        self._boots += 1
        self._born = time.monotonic()
        self._skipped_ms = 0
        return Device(self._model, self._identity, kept, f"b-{self.id}-{self._boots}", Faults())

    def _presence(self, *, online: bool) -> Json:
        return {"v": 1, "online": online, "boot_id": self._device.boot_id, "connection": 1}

    def _topic(self, name: str) -> str:
        return device_topic(self._root, self.id, name)

    def _uptime_ms(self) -> int:
        return int((time.monotonic() - self._born) * 1000) + self._skipped_ms


def _at_level(kept: Kept, level_db: float) -> Kept:
    outputs = tuple({**settings, "level_db": level_db} for settings in kept.live.outputs)
    return replace(kept, live=replace(kept.live, outputs=outputs))
