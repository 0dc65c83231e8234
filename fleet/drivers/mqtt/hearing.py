"""What devices say of themselves, as events. No I/O; never raises, whatever it is given."""

from __future__ import annotations

import logging
import re
from collections import OrderedDict
from typing import Final

from fleet.drivers.mqtt import codec
from fleet.drivers.mqtt.topics import Kind, parse_device_topic
from fleet.drivers.protocol import (
    CameOnline,
    Described,
    Event,
    Nonsense,
    SlotsHeard,
    StateHeard,
    WentOffline,
)
from fleet.errors import DeviceNonsense
from fleet.model.description import QConvention
from fleet.model.names import ID_PATTERN
from fleet.model.once import Once

log = logging.getLogger(__name__)


MOST_CONVENTIONS: Final = 100_000
"""Devices whose Q convention is remembered; ten times the largest venue, and of false ones the oldest go."""
MOST_HELD_BYTES: Final = 32_000_000


class Held:
    """Messages that wait for a description, by device; where they are too large together, those that wait longest go.

    What went is read again when the device is asked, or tells anew.
    """

    def __init__(self) -> None:
        self._by_device: OrderedDict[str, dict[Kind, bytes]] = OrderedDict()
        self._bytes = 0

    def hold(self, device: str, kind: Kind, payload: bytes) -> None:
        """Hold the last message of a kind."""
        of_device = self._by_device.setdefault(device, {})
        self._bytes += len(payload) - len(of_device.get(kind, b""))
        of_device[kind] = payload
        while self._bytes > MOST_HELD_BYTES:
            self.take(next(iter(self._by_device)))

    def take(self, device: str) -> dict[Kind, bytes]:
        """What was held of a device, and is no longer."""
        found = self._by_device.pop(device, {})
        self._bytes -= sum(map(len, found.values()))
        return found


class Hearing:
    """Turns retained messages into events.

    State and slots are held back until the device's description has told its Q convention.
    """

    def __init__(self, root: str) -> None:
        self._root = root
        self._conventions: OrderedDict[str, QConvention] = OrderedDict()
        self._held = Held()
        self._complained = Once()

    def hear(self, topic: str, payload: bytes) -> list[Event]:
        """The events of one message: none, one, or a description with what was held back for it."""
        if not payload:
            return []  # a retained message was deleted
        kind = "topic"
        try:
            name = parse_device_topic(self._root, topic)
            kind = name.kind
            return self._events(name.device, name.kind, payload)
        except DeviceNonsense as error:
            return self.complain(error, kind)

    def complain(self, error: DeviceNonsense, kind: str) -> list[Event]:
        """Nonsense as an event where it names a device; logged once for a device and kind of message."""
        first = self._complained.first((error.device, kind))
        log.log(logging.WARNING if first else logging.DEBUG, "%s", error)
        if not re.fullmatch(ID_PATTERN, error.device):
            return []
        return [Nonsense(device=error.device, what=error.what.removeprefix(f"{error.device}: "))]

    def _events(self, device: str, kind: Kind, payload: bytes) -> list[Event]:
        if kind == "presence":
            presence = codec.decode_presence(device, payload)
            if presence.online:
                return [CameOnline(device=device, boot_id=presence.boot_id)]
            return [WentOffline(device=device)]
        if kind == "description":
            return self._described(device, payload)
        convention = self._conventions.get(device)
        if convention is None:
            self._held.hold(device, kind, payload)
            return []
        if kind == "state":
            return [StateHeard(device=device, state=codec.decode_state(device, payload, convention))]
        return [SlotsHeard(device=device, slots=codec.decode_slots(device, payload, convention))]

    def _described(self, device: str, payload: bytes) -> list[Event]:
        description = codec.decode_description(device, payload)
        self._conventions[device] = description.q_convention
        self._conventions.move_to_end(device)
        if len(self._conventions) > MOST_CONVENTIONS:
            self._conventions.popitem(last=False)
        events: list[Event] = [Described(device=device, description=description)]
        for kind, held in self._held.take(device).items():
            try:
                events += self._events(device, kind, held)
            except DeviceNonsense as error:
                events += self.complain(error, kind)
        return events
