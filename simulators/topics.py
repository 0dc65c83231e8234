"""The topics of one device, and where a broker is."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

from .abilities import Json

DEFAULT_ROOT = "loudspeakers/v1"
MAX_PAYLOAD_BYTES = 65_536


@dataclass(frozen=True, slots=True)
class Broker:
    """Where the broker is, and under which root the devices speak."""

    host: str
    port: int
    root: str = DEFAULT_ROOT

    @classmethod
    def parse(cls, text: str, root: str = DEFAULT_ROOT) -> Broker:
        """Read `HOST:PORT`; ValueError says what is wrong."""
        host, _, port = text.rpartition(":")
        if not host or not port.isdecimal() or not 0 < int(port) < 65_536:
            raise ValueError(f"{text!r} is not HOST:PORT")
        return cls(host, int(port), root)

    @classmethod
    def from_json(cls, plain: Json) -> Broker:
        """The broker that a supervisor names to its workers."""
        return cls(plain["host"], plain["port"], plain["root"])


def device_topic(root: str, device: str, name: str) -> str:
    """The topic of a device's `presence`, `description`, `state`, `slots` or `request`."""
    return f"{root}/devices/{shard(device)}/{device}/{name}"


def replies_topic(root: str, controller: str) -> str:
    """Where a controller reads the replies to it."""
    return f"{root}/controllers/{controller}/replies"


def shard(device: str) -> str:
    """The first two hex digits of SHA-256 of the id."""
    return hashlib.sha256(device.encode()).hexdigest()[:2]
