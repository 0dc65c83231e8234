"""One device's own connection to the broker: will, presence, retained messages, requests and their replies."""

from __future__ import annotations

import asyncio
import json
import random
import socket
from collections.abc import Callable, Coroutine
from contextlib import suppress

import aiomqtt

from .abilities import Json
from .device import Device
from .faults import Faults
from .memory import Memory
from .topics import MAX_PAYLOAD_BYTES, Broker, device_topic, replies_topic

FIRST_BACK_OFF_S = 0.1
LONGEST_BACK_OFF_S = 5.0
_NODELAY = (socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


class Link:
    """Carries one boot of one device. `run` returns when the device reboots, leaving its will to the broker."""

    def __init__(self, name: str, device: Device, memory: Memory, faults: Faults, clock: Callable[[], float]) -> None:
        self._name = name
        self._device = device
        self._memory = memory
        self._faults = faults
        self._clock = clock
        self._started_s = clock()
        self._connection = 0
        self._client: aiomqtt.Client | None = None
        self._sending: set[asyncio.Task[None]] = set()
        self._timer: asyncio.TimerHandle | None = None
        self._published: dict[str, Json] = {}
        self._root = ""
        self._stored = device.running.kept

    async def run(self, broker: Callable[[], Broker], connected: Callable[[], None]) -> None:
        """Stay connected to wherever `broker` says, until the device reboots."""
        back_off_s = FIRST_BACK_OFF_S
        while not self._device.reboots:
            if "offline" in self._faults:
                await asyncio.sleep(FIRST_BACK_OFF_S)
                continue
            with suppress(aiomqtt.MqttError):
                await self._stay_connected(broker(), connected)
            stood = self._published
            self._published = {}
            back_off_s = FIRST_BACK_OFF_S if stood else min(2 * back_off_s, LONGEST_BACK_OFF_S)
            if not self._device.reboots:
                await asyncio.sleep(back_off_s * random.uniform(0.5, 1))  # noqa: S311 - spreads reconnections
        if self._timer:
            self._timer.cancel()

    def look(self) -> None:
        """Store and publish what is no longer as it was, and set the timer; after anything that may change it."""
        running = self._device.running
        if running.kept is not self._stored:
            self._memory.save(running.kept)
            self._stored = running.kept
        if self._client:
            self._publish_changed()
        if self._timer:
            self._timer.cancel()
            self._timer = None
        if running.deadline_ms is not None:
            wait_s = max(0.0, (running.deadline_ms - self.uptime_ms()) / 1000)
            self._timer = asyncio.get_running_loop().call_later(wait_s + 0.001, self._on_timer)
        if self._device.reboots == "at_once":
            self.cut()

    def cut(self) -> None:
        """Lose the connection as a power loss does, without a farewell, so that the broker publishes the will."""
        if self._client:
            # aiomqtt has no public way to leave without DISCONNECT; the socket is paho's own.
            connection = self._client._client.socket()
            if isinstance(connection, socket.socket):
                with suppress(OSError):
                    connection.shutdown(socket.SHUT_RDWR)

    def uptime_ms(self) -> int:
        """Since power-up."""
        return int((self._clock() - self._started_s) * 1000)

    async def _stay_connected(self, broker: Broker, connected: Callable[[], None]) -> None:
        self._connection += 1
        self._root = broker.root
        presence_topic = device_topic(broker.root, self._name, "presence")
        will = aiomqtt.Will(presence_topic, json.dumps(self._presence(online=False)), 1, retain=True)
        client = aiomqtt.Client(
            broker.host,
            broker.port,
            identifier=self._name,
            will=will,
            keepalive=15,
            socket_options=[_NODELAY],
        )
        client.pending_calls_threshold = 1_000
        try:
            async with client:
                await client.subscribe([(device_topic(broker.root, self._name, "request"), 0), (presence_topic, 1)])
                self._client = client
                self._introduce()
                connected()
                async for message in client.messages:
                    if message.topic.value == presence_topic:
                        self._on_presence(_object(message.payload))
                    elif not message.retain:
                        self._on_request(_object(message.payload))
        finally:
            self._client = None

    def _introduce(self) -> None:
        self._publish("presence", self._presence(online=True))
        self._publish("description", self._device.description())
        self._publish_changed()

    def _publish_changed(self) -> None:
        uptime_ms = self.uptime_ms()
        state, slots = self._device.state(uptime_ms), self._device.slots(uptime_ms)
        change = state.get("change") and {**state["change"], "reverts_in_ms": None}
        comparable = {"state": {**state, "uptime_ms": 0, "change": change}, "slots": slots["slots"]}
        for name, message in (("state", state), ("slots", slots)):
            if self._published.get(name) == comparable[name]:
                continue
            self._published[name] = comparable[name]
            if name == "state" and "garbage" in self._faults:
                self._publish_garbage(message)
            else:
                self._publish(name, message)

    def _publish_garbage(self, state: Json) -> None:
        self._send(self._topic("state"), json.dumps(state)[:-20], retain=True)
        self._send(self._topic("state"), json.dumps({**state, "padding": "x" * MAX_PAYLOAD_BYTES}), retain=True)

    def _publish(self, name: str, message: Json) -> None:
        self._send(self._topic(name), json.dumps(message), retain=True)

    def _send(self, topic: str, payload: str, *, retain: bool) -> None:
        # Not awaited by whoever asks: acknowledgements may take long, and tasks start in the order they were made.
        assert self._client is not None
        self._run(self._client.publish(topic, payload, qos=1 if retain else 0, retain=retain))

    def _run(self, work: Coroutine[None, None, None]) -> None:
        task = asyncio.create_task(work)
        self._sending.add(task)
        task.add_done_callback(self._sent)

    def _sent(self, task: asyncio.Task[None]) -> None:
        self._sending.discard(task)
        if not task.cancelled() and task.exception():
            self.cut()

    def _on_presence(self, told: Json) -> None:
        foreign = told.get("boot_id") != self._device.boot_id
        connection = told.get("connection")
        old = isinstance(connection, int) and connection <= self._connection
        if told.get("online") is False and (foreign or old):
            self._publish("presence", self._presence(online=True))

    def _on_request(self, request: Json) -> None:
        reply = self._device.handle(request, self.uptime_ms())
        self.look()
        if reply is not None and self._device.reboots != "at_once":
            self._run(self._reply(request["controller"], json.dumps(reply)))

    async def _reply(self, controller: str, payload: str) -> None:
        client, topic = self._client, replies_topic(self._root, controller)
        if "slow" in self._faults:
            await asyncio.sleep((self._faults.number("slow") or 0) / 1000)
        if client and not self._faults.loses_this_reply():
            for _ in range(2 if "duplicate_reply" in self._faults else 1):
                await client.publish(topic, payload)
        if self._device.reboots:
            self.cut()

    def _on_timer(self) -> None:
        self._device.running.tick(self.uptime_ms())
        self.look()

    def _presence(self, *, online: bool) -> Json:
        return {"v": 1, "online": online, "boot_id": self._device.boot_id, "connection": self._connection}

    def _topic(self, name: str) -> str:
        return device_topic(self._root, self._name, name)


def _object(payload: object) -> Json:
    """The JSON object in a payload; an empty one for anything else that a network may carry."""
    if not isinstance(payload, bytes) or len(payload) > MAX_PAYLOAD_BYTES:
        return {}
    try:
        message = json.loads(payload)
    except (ValueError, RecursionError):
        return {}
    return message if isinstance(message, dict) else {}
