"""The desired state, resolved: what each position and each device should be, every default applied.

`fleet.desired` makes these from the venue's files; nothing below it knows YAML.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from fleet.model.names import Id, Name, OutputNumber, SlotNumber
from fleet.model.settings import OutputSettings

Point = tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tolerances:
    """From where on a difference counts as audible; below it is slight. In dB, ms and degrees."""

    level_db: float = 1.0
    eq_db: float = 1.0
    delay_ms: float = 2.0
    coherent_delay_ms: float = 0.1
    coherent_phase_deg: float = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Between:
    """An allowed range: a difference only outside it."""

    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeAlign:
    """A delay to be computed: align to another position at `listen_at_m`, plus `offset_ms`."""

    to: Name
    offset_ms: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LineLoudspeakers:
    """Equal loudspeakers on a line, and the power tap of each in W."""

    count: int
    tap_w: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A constant-voltage line behind an amplifier's output: for checks, never written to a device.

    `cable_m` is the length one way, `cable_mm2` the section of a conductor; `None` where it was not given.
    """

    volts: float
    loudspeakers: tuple[LineLoudspeakers, ...]
    cable_m: float | None = None
    cable_mm2: float | None = None
    amplifier_w: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Position:
    """A place where one output sounds, with everything it should be.

    `fixed` holds the fixed settings (house curve as `eq`, trim added, unmanaged ones absent); `between` the allowed
    ranges by setting name; `time_align` a delay still to be computed from coordinates and latencies.
    """

    name: Name
    room: Name
    device: Id
    output: OutputNumber = 1
    groups: tuple[Name, ...] = ()
    coherent: tuple[Name, ...] = ()
    at_m: Point | None = None
    listen_at_m: Point | None = None
    role: str = ""
    fixed: OutputSettings = field(default_factory=OutputSettings)
    between: Mapping[str, Between] = field(default_factory=dict)
    time_align: TimeAlign | None = None
    slots: Mapping[str, SlotNumber] = field(default_factory=dict)
    """House-curve slot by model; the key `*` serves every other model; empty where none is wanted."""
    input: str | None = None
    panel_locked: bool | None = None
    power_up_slot: SlotNumber | None = None
    ceiling_db: float | None = None
    life_safety: bool = False
    line: Line | None = None
    tolerances: Tolerances = field(default_factory=Tolerances)

    def slot_for(self, model: str) -> int | None:
        """The preset slot this position's device should be in, given its model."""
        return self.slots.get(model, self.slots.get("*"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """A named set of positions of a room; `together` makes it a coherent set, never left half changed."""

    name: Name
    room: Name
    positions: tuple[Name, ...]
    together: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """A room with its positions and groups by name. `air_temperature_c` serves the speed of sound."""

    name: Name
    title: str
    positions: Mapping[Name, Position]
    groups: Mapping[Name, Group]
    air_temperature_c: float = 20.0
    house_curve: Name | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Venue:
    """A venue and its rooms by name, as the files of one version say it."""

    name: str
    time_zone: str
    rooms: Mapping[Name, Room]

    def positions(self) -> tuple[Position, ...]:
        """All positions, rooms and positions in the order of their names."""
        return tuple(room.positions[name] for _, room in sorted(self.rooms.items()) for name in sorted(room.positions))

    def positions_of(self, device: str) -> tuple[Position, ...]:
        """Positions served by a device, in the order of their outputs."""
        return tuple(sorted((p for p in self.positions() if p.device == device), key=lambda p: p.output))
