"""A plan: sorted data that says which device does what in which phase, and what speaks against it."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Literal, get_args

from fleet.errors import BadInput
from fleet.model.difference import Difference
from fleet.model.names import Id, Name, SlotNumber, shown
from fleet.model.settings import DeviceSettings, SlotContents
from fleet.model.standing import Standing
from fleet.model.state import Moment

PlanKind = Literal["apply", "store", "recall", "rollback", "walk", "level", "mute", "unmute"]


class Phase(IntEnum):
    """Phases of a change, in the order they are committed. Unmute follows a read-back.

    Ramps come last, since only what sounds can be heard to rise slowly. The numbers go on the wire.
    """

    MUTE = 1
    RECALL = 2
    SET = 3
    STORE = 4
    UNMUTE = 5
    RAMP_1 = 6
    RAMP_2 = 7
    RAMP_3 = 8
    RAMP_4 = 9
    RAMP_5 = 10
    RAMP_6 = 11
    RAMP_7 = 12
    RAMP_8 = 13

    @property
    def word(self) -> str:
        """The phase in a person's words."""
        return "ramp" if self.name.startswith("RAMP") else self.name.lower()


RAMPS: tuple[Phase, ...] = tuple(p for p in Phase if p.name.startswith("RAMP"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """What one device does in one phase: recall first, then settings; slot contents are written at keep."""

    recall: SlotNumber | None = None
    settings: DeviceSettings | None = None
    slot_contents: tuple[SlotContents, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """What can be read back of a device after a change or a rollback, as far as the change touches it."""

    active_slot: SlotNumber | None = None
    live: DeviceSettings = field(default_factory=DeviceSettings)
    stored: tuple[SlotContents, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class DevicePlan:
    """One device's part of a plan. `before` is the checkpoint; `expect` the moment the plan was made from."""

    device: Id
    positions: tuple[tuple[Name, Name], ...]
    expect: Moment
    work: Mapping[Phase, Work]
    before: Target
    after: Target
    undo: Mapping[Phase, Work]
    """What brings `before` back by writing, where a device cannot revert by itself or has already kept."""
    quiet: Target
    """What can be read back once every phase before UNMUTE is committed: `after` with levels at the start of their
    ramps and what will be unmuted still muted. Slot contents are not in it, since they are written at keep; nor is
    the mute of an output that others muted. Without UNMUTE it is what can be read back before the first ramp."""
    stages: bool = True
    """False for a device that can neither stage nor revert: its part is written at once, and undone by `undo`."""
    timer: bool = True
    """False for a device that cannot return by itself when nobody keeps the change in time."""


GuardName = Literal[
    "life-safety",
    "ceiling",
    "hold",
    "conflicting",
    "protective-high-pass",
    "shared-device",
    "store-too-soon",
    "guest",
    "rise",
    "half-room",
    "many-devices",
    "unmanaged",
    "live-click",
]
GUARD_NAMES: frozenset[str] = frozenset(get_args(GuardName))


def check_guard_names(names: Collection[str]) -> None:
    """Raise `BadInput` for a name that no guard rail has."""
    if unknown := sorted(set(names) - GUARD_NAMES):
        raise BadInput(
            f"there is no guard rail {shown(unknown[0])!r}",
            where="--allow",
            remedy=f"There are: {', '.join(sorted(GUARD_NAMES))}",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class GuardHit:
    """A guard rail that speaks against a plan. `may_allow` tells whether a person may lift it by name."""

    guard: GuardName
    words: str
    may_allow: bool
    room: str = ""
    position: str = ""
    device: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """A position of the scope that the plan does not touch, and why."""

    room: Name
    position: Name
    device: Id
    words: str
    unable: bool = False
    """True where its device could not have taken part: it does not answer, or must not be written to."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Everything a change would do, sorted by device, with what speaks against it and what it leaves out.

    `digest` covers the desired version, the moments of the devices and all the work: it names this very plan.
    """

    kind: PlanKind
    rooms: tuple[Name, ...]
    scope: str
    devices: tuple[DevicePlan, ...]
    guards: tuple[GuardHit, ...] = ()
    left_out: tuple[LeftOut, ...] = ()
    differences: tuple[Difference, ...] = ()
    notes: tuple[str, ...] = ()
    louder: tuple[str, ...] = ()
    """What will be louder, and by how much, in words."""
    afterwards: tuple[str, ...] = ()
    """What is to be known or done once it is kept, in words."""
    store_again: tuple[tuple[Name, Name], ...] = ()
    """Positions that a recall brings back although their slots do not hold the house curve: they want storing again."""
    desired_sha256: str = ""
    undoes: str = ""
    """The change a rollback undoes."""
    was: Standing = field(default_factory=Standing)
    """The modes and chosen levels before it, as far as it is about them."""
    then: Standing = field(default_factory=Standing)
    """What stands once it is kept, also where no device has anything to do."""
    digest: str = ""

    def empty(self) -> bool:
        """True where there is nothing to do."""
        return not self.devices and self.was == self.then
