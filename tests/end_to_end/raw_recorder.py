"""A recorder on the broker that knows topics and nothing of `fleet`: every message of devices, and when it came."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

Json = dict[str, Any]

DEVICES = "loudspeakers/v1/devices/"
CHANGING = frozenset({"stage", "commit", "keep", "revert", "abort", "set", "restart"})
"""Actions of the wire contract that may change a device: all but `get` and `identify`."""


@dataclass(frozen=True)
class Heard:
    """One message: of which device, of which kind (presence, description, state, slots, request), and when."""

    at: float
    device: str
    kind: str
    message: Json


@dataclass
class Recorder:
    """What was heard so far, in its order. `at` is in seconds since the epoch, UTC."""

    heard: list[Heard] = field(default_factory=list)

    def note(self, topic: str, payload: bytes) -> None:
        """Take a message down; what is no JSON object is left out, since no device that means it sends such."""
        device, kind = topic.removeprefix(DEVICES).split("/")[1:3]
        try:
            message = json.loads(payload)
        except ValueError:
            return
        self.heard.append(Heard(time.time(), device, kind, message))

    def told(self, kind: str, by: float | None = None) -> dict[str, Json]:
        """The last message of one kind by each device, now or at a moment."""
        known = [one for one in list(self.heard) if one.kind == kind and (by is None or one.at <= by)]
        return {one.device: one.message for one in known}

    def state(self, device: str) -> Json:
        """The last state of one device."""
        return self.told("state")[device]

    def revisions(self) -> dict[str, int]:
        """The revision of every device: it rises with every change of live settings or slots."""
        return {device: state["revision"] for device, state in self.told("state").items()}

    def mark(self) -> int:
        """A place in the record, to ask later what came after it."""
        return len(self.heard)

    def asked_since(self, mark: int) -> list[Heard]:
        """Requests to devices since a mark, of any kind."""
        return [one for one in self.heard[mark:] if one.kind == "request"]

    def writes_since(self, mark: int) -> list[Heard]:
        """Requests since a mark that may change a device."""
        return [one for one in self.asked_since(mark) if one.message["action"] in CHANGING]


def settings(state: Mapping[str, Any]) -> Json:
    """The live settings of a state message, and the slot they came from."""
    return {name: state[name] for name in ("active_slot", "input", "panel_locked", "power_up_slot", "outputs")}


@contextmanager
def recording(port: int) -> Iterator[Recorder]:
    """Record from a broker on loopback, from the retained messages on, until the end of the block."""
    recorder = Recorder()
    subscribed = threading.Event()
    client = Client(CallbackAPIVersion.VERSION2)

    def on_message(_client: Client, _userdata: object, message: MQTTMessage) -> None:
        recorder.note(message.topic, bytes(message.payload))

    def on_connect(*_: object) -> None:
        client.subscribe(f"{DEVICES}#", qos=0)

    client.on_message = on_message
    client.on_subscribe = lambda *_: subscribed.set()
    client.on_connect = on_connect
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        assert subscribed.wait(60), "the recorder could not subscribe"
        yield recorder
    finally:
        client.disconnect()
        client.loop_stop()
