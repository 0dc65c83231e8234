"""Raw MQTT beside the daemon: asks boxes by `get`, and takes down every request that anybody sends them.

It knows the wire contract and nothing of `fleet`.
"""

from __future__ import annotations

import itertools
import json
import threading
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from queue import Empty, Queue
from typing import Any

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from simulators.topics import DEFAULT_ROOT, device_topic, replies_topic

Json = dict[str, Any]

US = "fault-test"
ANSWER_WITHIN_S = 1.0
ATTEMPTS = 30
CHANGING = frozenset({"stage", "commit", "keep", "revert", "abort", "set", "restart"})
"""Actions that may change a device: all but `get` and `identify`."""


@dataclass(frozen=True)
class Sent:
    """A request to a box, and when it was heard, in seconds since the epoch."""

    at: float
    box: str
    message: Json


@dataclass
class Wire:
    """A client of its own. `sent` holds the requests of all others."""

    client: Client
    sent: list[Sent] = field(default_factory=list)
    _replies: Queue[Json] = field(default_factory=Queue)
    _numbers: Iterator[int] = field(default_factory=itertools.count)

    def get(self, box: str) -> Json:
        """The `state` and `slots` members of a box's answer to `get`, merged into its `result`."""
        request = {"v": 1, "id": f"r-{next(self._numbers)}", "controller": US, "epoch": 0, "action": "get", "body": {}}
        for _ in range(ATTEMPTS):  # a box that boots hears nothing
            self.client.publish(device_topic(DEFAULT_ROOT, box, "request"), json.dumps(request), qos=0)
            if (result := self._answer(request["id"])) is not None:
                return result
        raise AssertionError(f"{box} does not answer")

    def writes_since(self, mark: int) -> list[Sent]:
        """Requests since a mark (a length of `sent`) that may change a box."""
        return [one for one in self.sent[mark:] if one.message["action"] in CHANGING]

    def note(self, topic: str, payload: bytes) -> None:
        """Take a message."""
        message = json.loads(payload)
        if topic == replies_topic(DEFAULT_ROOT, US):
            self._replies.put(message)
        elif message["controller"] != US:
            self.sent.append(Sent(time.time(), topic.split("/")[-2], message))

    def _answer(self, request: str) -> Json | None:
        deadline = time.monotonic() + ANSWER_WITHIN_S
        while (left_s := deadline - time.monotonic()) > 0:
            try:
                reply = self._replies.get(timeout=left_s)
            except Empty:
                return None
            if reply["id"] == request and reply["ok"]:
                result: Json = reply["result"]
                return result
        return None


@contextmanager
def listening(port: int, boxes: Iterable[str]) -> Iterator[Wire]:
    """Connected to a broker on loopback until the end of the block."""
    client = Client(CallbackAPIVersion.VERSION2)
    wire, subscribed = Wire(client), threading.Event()
    topics = [replies_topic(DEFAULT_ROOT, US), *(device_topic(DEFAULT_ROOT, box, "request") for box in boxes)]

    def on_message(_client: Client, _userdata: object, message: MQTTMessage) -> None:
        wire.note(message.topic, bytes(message.payload))

    client.on_message = on_message
    client.on_subscribe = lambda *_: subscribed.set()
    client.on_connect = lambda *_: client.subscribe([(topic, 0) for topic in topics])
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        assert subscribed.wait(60), "the recorder could not subscribe"
        yield wire
    finally:
        client.disconnect()
        client.loop_stop()
