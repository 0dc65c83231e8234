"""Topics of the wire contract: which device and which kind of message a topic names, and the filters of a census."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from typing import Final, Literal, get_args

from fleet.discovery.records import is_topic_root
from fleet.errors import BadInput, DeviceNonsense
from fleet.model.names import ID_PATTERN, shown
from fleet.model.topics import DEFAULT_ROOT

Kind = Literal["presence", "description", "state", "slots"]
KINDS: Final[tuple[Kind, ...]] = get_args(Kind)
SHARDS: Final[tuple[str, ...]] = tuple(f"{n:02x}" for n in range(256))

_id = re.compile(ID_PATTERN)


@dataclass(frozen=True, slots=True)
class DeviceTopic:
    """A retained topic of a device."""

    device: str
    kind: Kind


def shard_of(device: str) -> str:
    """The first two hex digits of SHA-256 of a device id."""
    return hashlib.sha256(device.encode()).hexdigest()[:2]


def device_topic(root: str, device: str, kind: Kind | Literal["request"]) -> str:
    """The topic of one kind of message of a device."""
    return f"{root}/devices/{shard_of(device)}/{device}/{kind}"


def replies_topic(root: str, controller: str) -> str:
    """Where devices answer a controller."""
    return f"{root}/controllers/{controller}/replies"


def markers_topic(root: str, client: str) -> str:
    """Where a client writes to itself to learn that everything before has arrived."""
    return f"{root}/controllers/{client}/markers"


def slice_filters(root: str, shards: tuple[str, ...]) -> list[str]:
    """Topic filters of what the devices of some shards retain."""
    return [f"{root}/devices/{shard}/+/{kind}" for shard in shards for kind in KINDS]


def parse_device_topic(root: str, topic: str) -> DeviceTopic:
    """Which device and kind a topic names.

    Raises `DeviceNonsense` for another topic, an id that is none, or a device in a shard that is not its own.
    """
    parts = topic.removeprefix(f"{root}/devices/").split("/")
    if not topic.startswith(f"{root}/devices/") or len(parts) != 3:
        raise DeviceNonsense("", f"wrote to {shown(topic, 120)}, which is no topic of a device")
    shard, device, kind = parts
    if not _id.fullmatch(device):
        raise DeviceNonsense(shown(device), "is not an id")
    if shard != shard_of(device):
        raise DeviceNonsense(device, f"wrote under shard {shown(shard)}, its own is {shard_of(device)}")
    for known in KINDS:
        if kind == known:
            return DeviceTopic(device, known)
    raise DeviceNonsense(device, f"wrote to {shown(kind)}, which is no topic of a device")


def checked_root(root: str) -> str:
    """A topic root that can be used. Raises `BadInput`."""
    if not is_topic_root(root):
        raise BadInput(
            f"{shown(root)!r} is no topic root",
            remedy=f"A root is words of letters, digits, '.', '_', '-' with '/' between, such as {DEFAULT_ROOT}",
        )
    return root
