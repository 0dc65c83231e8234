"""Devices as the inventory knows them: sightings, presence, identity, and what speaks against trusting them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Literal

from fleet.model.description import Description
from fleet.model.names import Id

SightingSource = Literal["mdns", "broker", "list"]
SortKey = Literal["id", "model", "firmware", "room", "last-seen"]
"""What a list of devices may be put in order by."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sighting:
    """A device was announced or heard at a moment. It is no sign that it is alive now."""

    device: Id
    at: datetime
    source: SightingSource
    address: str = ""
    port: int = 0
    model: str = ""
    firmware: str = ""
    link: str = "mqtt"
    gone: bool = False
    """True where the announcement said goodbye."""


class DeviceStatus(StrEnum):
    """What is known of a device: a `bound` one is reachable and has a position, a `missing` one has no answer.

    A `retired` one was swapped out and has no position, whether it answers or not.
    """

    SEEN = "seen"
    REACHABLE = "reachable"
    BOUND = "bound"
    MISSING = "missing"
    CONFLICTING = "conflicting"
    RETIRED = "retired"


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """The identity of a device that the inventory has accepted; another one under the same id conflicts."""

    id: Id
    serial: str
    mac: str
    boot_count: int
    boot_id: str
    old_boot_ids: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Retirement:
    """A device was taken out of service: since when, under which serial, and from which positions (`room/position`)."""

    since: datetime
    serial: str
    positions: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceRecord:
    """One device of the inventory."""

    id: Id
    first_seen: datetime
    last_seen: datetime
    online: bool = False
    route: str = ""
    """How it is reached: the driver's name; recorded once, since a device has one route."""
    address: str = ""
    identity: Identity | None = None
    description: Description | None = None
    conflicts: tuple[str, ...] = ()
    """Why nothing is written to it until a person accepts it; empty where all is well."""
    trouble: str = ""
    """What it sent that could not be used, in words; empty where all is well."""
    retired: Retirement | None = None
