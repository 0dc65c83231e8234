"""A small MQTT device for the driver's tests: does the actions of schemas/wire.md, and misbehaves on request."""

from __future__ import annotations

import asyncio
import copy
import hashlib
import json
import socket
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any

import aiomqtt
from samples import FLAT, STAGING, description_message

from fleet.tasks import end

Json = dict[str, Any]
Spoil = Callable[[bytes], list[bytes]]


class No(Exception):
    """A refusal code."""


class ScriptedDevice:
    """One device. `spoil` turns the bytes of each reply into what is sent instead; `deaf` hears nothing."""

    def __init__(self, device: str, root: str, features: tuple[str, ...] = STAGING) -> None:
        self.id, self.root = device, root
        self.description = description_message(device, features)
        self.stages = "stage" in features
        self.boots, self.revision, self.epoch = 1, 1, 0
        self.reboots = False
        self.live: Json = {"output": 1, "mute": False, "mute_causes": [], **copy.deepcopy(FLAT)}
        self.active_slot = 1
        self.slots = {n: copy.deepcopy(FLAT) for n in range(1, 9)}
        self.change: str | None = None
        self.phase = 0
        self.staged: dict[int, Json] = {}
        self.restore: tuple[Json, int] | None = None
        self.ended: dict[str, str] = {}
        self.remembered: dict[str, bytes] = {}
        self.requests: list[Json] = []
        self.done: list[str] = []
        self.spoil: Spoil = lambda reply: [reply]
        self.deaf = False
        self.born = time.monotonic()
        self.client: aiomqtt.Client | None = None

    def topic(self, kind: str) -> str:
        shard = hashlib.sha256(self.id.encode()).hexdigest()[:2]
        return f"{self.root}/devices/{shard}/{self.id}/{kind}"

    @asynccontextmanager
    async def on(self, port: int) -> AsyncIterator[ScriptedDevice]:
        """Connected for the length of the block."""
        will = aiomqtt.Will(self.topic("presence"), json.dumps(self.presence(online=False)), qos=1, retain=True)
        options = [(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)]
        async with aiomqtt.Client(
            "127.0.0.1", port, identifier=self.id, will=will, socket_options=options
        ) as self.client:
            await self.client.subscribe(self.topic("request"), qos=0)
            serving = asyncio.create_task(self._serve())
            await self.tell()
            try:
                yield self
            finally:
                await end(serving)

    @property
    def boot_id(self) -> str:
        return f"b-{self.boots}"

    def presence(self, *, online: bool) -> Json:
        return {"v": 1, "online": online, "boot_id": self.boot_id, "connection": 1}

    def uptime_ms(self) -> float:
        return 5000 + (time.monotonic() - self.born) * 1000

    def state(self) -> Json:
        state = {
            "v": 1,
            "id": self.id,
            "serial": self.description["serial"],
            "boot_id": self.boot_id,
            "boot_count": self.boots,
            "revision": self.revision,
            "uptime_ms": self.uptime_ms(),
            "epoch": self.epoch,
            "active_slot": self.active_slot,
            "input": "network",
            "panel_locked": False,
            "power_up_slot": None,
            "outputs": [self.live],
            "health": {"temperature_c": 41.0, "faults": []},
            "cause": "request",
        }
        if self.change:
            state["change"] = {"id": self.change, "phase": self.phase, "reverts_in_ms": None}
        return state

    def slots_message(self) -> Json:
        slots = [
            {
                "slot": n,
                "name": f"slot {n}",
                "kind": "factory" if n < 3 else "user",
                "input": None,
                "outputs": [{"output": 1, **contents}],
            }
            for n, contents in self.slots.items()
        ]
        return {"v": 1, "id": self.id, "boot_id": self.boot_id, "revision": self.revision, "slots": slots}

    async def tell(self) -> None:
        messages = {
            "presence": self.presence(online=True),
            "description": self.description,
            "state": self.state(),
            "slots": self.slots_message(),
        }
        for kind, message in messages.items():
            await self.publish(self.topic(kind), json.dumps(message).encode(), retain=True)

    async def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        assert self.client is not None
        await self.client.publish(topic, payload, qos=1 if retain else 0, retain=retain)

    async def press(self, level_db: float) -> None:
        """Somebody turns the knob at the panel."""
        self.live["level_db"] = level_db
        self.revision += 1
        await self.tell()

    async def _serve(self) -> None:
        assert self.client is not None
        async for message in self.client.messages:
            if self.deaf:
                continue
            request = json.loads(message.payload)
            self.requests.append(request)
            reply = self.remembered.get(request["id"]) or self._answer(request)
            self.remembered[request["id"]] = reply
            for each in self.spoil(reply):
                await self.publish(f"{self.root}/controllers/{request['controller']}/replies", each)
            if self.reboots:
                self.reboots, self.boots, self.revision = False, self.boots + 1, 1
                await self.tell()
            elif request["action"] not in ("get", "identify"):
                await self.publish(self.topic("state"), json.dumps(self.state()).encode(), retain=True)

    def _answer(self, request: Json) -> bytes:
        reply: Json = {"v": 1, "id": request["id"], "device": self.id, "ok": True}
        extra: Json = {}
        try:
            if request["action"] == "get":
                extra = {"state": self.state(), "slots": self.slots_message()}
            else:
                self._check(request)
                getattr(self, f"_{request['action']}")(request["body"])
                self.done.append(request["action"])
        except No as no:
            reply |= {"ok": False, "refusal": {"code": str(no), "text": "so it is"}}
        reply["result"] = {"boot_id": self.boot_id, "revision": self.revision, "uptime_ms": self.uptime_ms(), **extra}
        return json.dumps(reply).encode()

    def _check(self, request: Json) -> None:
        action, expect = request["action"], request.get("expect")
        if request["deadline_uptime_ms"] < self.uptime_ms():
            raise No("expired")
        if request["epoch"] < self.epoch:
            raise No("stale_epoch")
        self.epoch = request["epoch"]
        if (action == "set") == self.stages and action not in ("identify", "restart"):
            raise No("unsupported")
        change = request["body"].get("change")
        if self.change not in (None, change):
            raise No("change_open")
        if action in ("stage", "commit") and change in self.ended:
            raise No(self.ended[change])
        if expect and expect["boot_id"] != self.boot_id:
            raise No("wrong_boot")
        if expect and expect["revision"] != self.revision:
            raise No("wrong_revision")

    def _stage(self, body: Json) -> None:
        for output in body.get("settings", {}).get("outputs", []):
            if not -80 <= output.get("level_db", 0) <= 6:
                raise No("out_of_range")
        if body.get("settings", {}).get("input", "network") not in self.description["inputs"]:
            raise No("unsupported")
        self.change, self.staged[body["phase"]] = body["change"], body

    def _commit(self, body: Json) -> None:
        if body["phase"] not in self.staged:
            raise No("not_staged")
        self.restore = self.restore or (copy.deepcopy(self.live), self.active_slot)
        self.phase = body["phase"]
        self._do(self.staged[body["phase"]])

    def _set(self, body: Json) -> None:
        self._do(body)
        self._store(body)

    def _do(self, body: Json) -> None:
        if "recall" in body:
            self.active_slot = body["recall"]
            self.live |= copy.deepcopy(self.slots[body["recall"]])
        for output in body.get("settings", {}).get("outputs", []):
            self.live |= output
            self.live["mute_causes"] = ["controller"] if self.live["mute"] else []
        self.revision += 1

    def _store(self, body: Json) -> None:
        for contents in body.get("slot_contents", []):
            for output in contents["outputs"]:
                self.slots[contents["slot"]] |= {k: v for k, v in output.items() if k != "output"}

    def _keep(self, body: Json) -> None:
        if body["change"] not in (self.change, *self.ended):
            raise No("unknown_change")
        for staged in self.staged.values():
            self._store(staged)
        self._end(body["change"], "kept")

    def _revert(self, body: Json) -> None:
        if self.restore:
            self.live, self.active_slot = self.restore
            self.revision += 1
        self._end(body["change"], "reverted")

    def _abort(self, body: Json) -> None:
        if self.restore:
            raise No("committed")
        self._end(body["change"], "aborted")

    def _end(self, change: str, how: str) -> None:
        self.ended[change] = how
        self.change, self.phase, self.staged, self.restore = None, 0, {}, None

    def _identify(self, body: Json) -> None:
        pass

    def _restart(self, body: Json) -> None:
        self.reboots = True
