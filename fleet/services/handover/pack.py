"""What a hand-over holds: frozen values, in the order of rooms and positions, for any face to render."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from fleet.desired.finding import Checked
from fleet.model.deviation import AgreedDeviation
from fleet.model.difference import Comparison
from fleet.model.inventory import DeviceRecord, DeviceStatus
from fleet.model.names import Id, Name
from fleet.model.passive import LoudspeakerType
from fleet.model.settings import Band
from fleet.model.snapshot import Snapshot
from fleet.model.venue import References
from fleet.model.walk import Walk
from fleet.reconcile.alignment import Alignment
from fleet.services.room_view import PositionView


@dataclass(frozen=True, slots=True, kw_only=True)
class ScheduleRow:
    """A position (or a device without one) in the device schedule. `read` is false where the device was not reached."""

    room: str
    position: str
    device: Id
    output: int | None
    record: DeviceRecord | None
    status: DeviceStatus
    read: bool
    life_safety: bool
    references: References


@dataclass(frozen=True, slots=True, kw_only=True)
class DelayRow:
    """The delay of a position: `how` it comes about, worked out in `working` where it is computed."""

    position: Name
    how: Literal["computed", "given", "range", "not managed", "left alone", "cannot be computed"]
    wanted: str
    reported: str
    working: Alignment | None = None
    words: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """EQ and crossovers of outputs that have them alike, in dB without the level, over `frequencies_hz`.

    `desired_db` is `None` where nothing of it is managed, `reported_db` where the device was not read.
    """

    positions: tuple[Name, ...]
    passband_hz: tuple[float, float]
    frequencies_hz: tuple[float, ...]
    desired_db: tuple[float, ...] | None
    reported_db: tuple[float, ...] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BandSheet:
    """The equaliser bands of a position; `None` where they are not managed, or were not read."""

    position: Name
    desired: tuple[Band, ...] | None
    reported: tuple[Band, ...] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomSheet:
    """One room: settings, EQ, delays, lines."""

    name: Name
    title: str
    house_curve: str
    air_temperature_c: float
    positions: tuple[PositionView, ...]
    bands: tuple[BandSheet, ...]
    curves: tuple[Curve, ...]
    without_curve: tuple[tuple[Name, str], ...]
    delays: tuple[DelayRow, ...]


SlotProof = Literal["equal", "slightly apart", "differs", "not readable", "not read", "not desired", "left alone"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SlotRow:
    """The house-curve slot of a device, whether its contents are as desired, and how to recall it by hand."""

    device: Id
    positions: tuple[str, ...]
    slot: int | None
    name: str
    active: int | None
    proof: SlotProof
    words: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class HandOver:
    """A hand-over, whole. `room` is empty for the venue.

    `deviations` are those that stand, `walks` the last walk of each room that was walked.
    """

    venue: str
    time_zone: str
    room: str
    note: str
    snapshot: Snapshot
    schedule: tuple[ScheduleRow, ...]
    rooms: tuple[RoomSheet, ...]
    loudspeaker_types: tuple[LoudspeakerType, ...]
    slots: tuple[SlotRow, ...]
    checked: Checked
    comparison: Comparison
    deviations: tuple[AgreedDeviation, ...]
    walks: tuple[Walk, ...]
