"""The desired state, resolved: what each position and each device should be, every default applied.

`fleet.desired` makes these from the venue's files; nothing below it knows YAML.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Literal

from fleet.model.days import HOUSE_MODE, Contact, Hours, Scheduled, SelfRepair
from fleet.model.names import Id, Name, OutputNumber, SlotNumber
from fleet.model.passive import Line, LoudspeakerType
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
class TargetCurve:
    """A curve as points (Hz, dB), ascending: straight in dB over log frequency between them, flat outside."""

    points: tuple[tuple[float, float], ...]


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
class Loudspeaker:
    """How loud a box plays on axis at 1 m with `level_db` 0 and the room's programme: continuous, A-weighted.

    `limit_at_1m_db` is the most that the box keeps up, of the same kind; `crest_factor_db` that of the programme.
    """

    level_at_1m_db: float
    limit_at_1m_db: float | None = None
    crest_factor_db: float | None = None
    quantity: Literal["continuous"] = "continuous"


@dataclass(frozen=True, slots=True, kw_only=True)
class Silence:
    """Findings of a check that somebody took note of, and why they are right here."""

    check: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class References:
    """What a position is called elsewhere: on drawings, cables, racks, circuits, switches. Empty where not given."""

    drawing: str = ""
    cable: str = ""
    rack: str = ""
    circuit: str = ""
    switch_port: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StandIn:
    """The device of a position that its present one stands in for, and the last day on which that is agreed."""

    instead_of: Id
    until: date


@dataclass(frozen=True, slots=True, kw_only=True)
class Position:
    """A place where one output sounds, with everything it should be.

    `fixed` holds the fixed settings (house curve as `eq`, trim added, unmanaged ones absent); `between` the allowed
    ranges by setting name; `time_align` a delay still to be computed from coordinates and latencies. With a `target`,
    the equaliser is the device's own fit of it, followed by the bands of `fixed.eq`.
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
    target: TargetCurve | None = None
    slots: Mapping[str, SlotNumber] = field(default_factory=dict)
    """House-curve slot by model; the key `*` serves every other model; empty where none is wanted."""
    input: str | None = None
    panel_locked: bool | None = None
    power_up_slot: SlotNumber | None = None
    ceiling_db: float | None = None
    life_safety: bool = False
    line: Line | None = None
    loudspeaker: Loudspeaker | None = None
    stands_in: StandIn | None = None
    references: References = field(default_factory=References)
    silence: tuple[Silence, ...] = ()
    tolerances: Tolerances = field(default_factory=Tolerances)
    stored_as: Position | None = None
    """What it is without modes, where that is not what it is in its mode. Where both have one slot, the mode has none
    of its own, and the slot keeps this."""

    def slot_for(self, model: str) -> int | None:
        """The preset slot this position's device should be in, given its model."""
        return self.slots.get(model, self.slots.get("*"))

    def stored_for(self, model: str) -> Position:
        """The position as its slot holds it, given the model: without modes, where its mode has no slot of its own."""
        slot, kept = self.slot_for(model), self.stored_as
        return kept if kept is not None and slot is not None and kept.slot_for(model) == slot else self


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """A named set of positions of a room; `together` makes it a coherent set, never left half changed."""

    name: Name
    room: Name
    positions: tuple[Name, ...]
    together: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SubwooferPair:
    """Two subwoofers that steer together, the rear one `spacing_m` behind the front one."""

    kind: Literal["gradient", "end_fire"]
    front: Name
    rear: Name
    spacing_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Ceiling:
    """Loudspeakers in a ceiling, in a regular pattern. `spacing_m` between neighbours in a row, where it is given."""

    height_m: float
    angle_deg: float
    ear_m: float = 1.2
    spacing_m: float | None = None
    pattern: Literal["square", "hexagonal"] = "square"


@dataclass(frozen=True, slots=True, kw_only=True)
class Mode:
    """A named state of a room, with its positions as they are then.

    `together_with` names other rooms and the mode each is in then: they are recalled together, all or none.
    """

    name: Name
    title: str
    positions: Mapping[Name, Position]
    house_curve: Name | None = None
    together_with: Mapping[Name, Name] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """A room with its positions and groups by name. `air_temperature_c` serves the speed of sound.

    `max_level_db` and `exposure_hours` are what is meant for the listening point: A-weighted, continuous. Without
    `mute_while_recalling` a recall mutes only what it would make click or jump.
    """

    name: Name
    title: str
    positions: Mapping[Name, Position]
    groups: Mapping[Name, Group]
    air_temperature_c: float = 20.0
    house_curve: Name | None = None
    listen_at_m: Point | None = None
    max_level_db: float | None = None
    exposure_hours: float | None = None
    subwoofer_pairs: tuple[SubwooferPair, ...] = ()
    ceiling: Ceiling | None = None
    mute_while_recalling: bool = True
    spares: Mapping[Id, tuple[Name, ...]] = field(default_factory=dict)
    """Devices that are kept as spares, with the positions of this room that each may serve."""
    silence: tuple[Silence, ...] = ()
    modes: Mapping[Name, Mode] = field(default_factory=dict)
    mode: Name = HOUSE_MODE
    """The mode that `positions` are of."""
    plain_house_curve: Name | None = None
    """In a mode, the house curve that the room has without it."""
    schedule: tuple[Scheduled, ...] = ()
    contacts: tuple[Contact, ...] = ()
    off_hours: tuple[Hours, ...] = ()
    """When its devices may be without power: they are not missed then."""
    self_repair: SelfRepair | None = None

    def in_mode(self, mode: Name) -> Room:
        """The room in a mode that it has; this must be a room in no mode. Raises `KeyError` for an unknown one."""
        if mode == HOUSE_MODE:
            return self
        found = self.modes[mode]
        curve = found.house_curve or self.house_curve
        return replace(
            self, mode=mode, positions=found.positions, house_curve=curve, plain_house_curve=self.house_curve
        )

    def without_modes(self) -> Room:
        """The room as it is in no mode."""
        if self.mode == HOUSE_MODE:
            return self
        positions = {name: position.stored_as or position for name, position in self.positions.items()}
        return replace(self, mode=HOUSE_MODE, positions=positions, house_curve=self.plain_house_curve)


@dataclass(frozen=True, slots=True, kw_only=True)
class Venue:
    """A venue and its rooms by name, as the files of one version say it."""

    name: str
    time_zone: str
    rooms: Mapping[Name, Room]
    loudspeaker_types: Mapping[Name, LoudspeakerType] = field(default_factory=dict)

    def in_modes(self, modes: Mapping[Name, Name]) -> Venue:
        """The venue with rooms in these modes; unknown rooms and modes are passed over, since files change."""
        known = {name: mode for name, mode in modes.items() if name in self.rooms and mode in self.rooms[name].modes}
        if not known:
            return self
        return replace(self, rooms={n: r.in_mode(known.get(n, HOUSE_MODE)) for n, r in self.rooms.items()})

    def positions(self) -> tuple[Position, ...]:
        """All positions, rooms and positions in the order of their names."""
        return tuple(room.positions[name] for _, room in sorted(self.rooms.items()) for name in sorted(room.positions))

    def positions_of(self, device: str) -> tuple[Position, ...]:
        """Positions served by a device, in the order of their outputs."""
        return tuple(sorted((p for p in self.positions() if p.device == device), key=lambda p: p.output))

    def spares(self) -> Mapping[Id, tuple[tuple[Name, Name], ...]]:
        """Room and position of each place that a device is kept as a spare for, by device."""
        found: dict[str, tuple[tuple[Name, Name], ...]] = {}
        for name, room in sorted(self.rooms.items()):
            for device, positions in room.spares.items():
                found[device] = (*found.get(device, ()), *((name, position) for position in positions))
        return found

    def mutes_while_recalling(self, device: str) -> bool:
        """Whether a recall mutes a device: where any room it plays in says so, or none has a position for it."""
        rooms = {p.room for p in self.positions_of(device)}
        return not rooms or any(self.rooms[room].mute_while_recalling for room in rooms)
