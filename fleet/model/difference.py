"""A difference: one setting, how far it is from what is wanted, and whether it can be heard."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import IntEnum
from typing import Literal

from fleet.model.names import Id, Name, OutputNumber, SlotNumber


class Grade(IntEnum):
    """How much a difference matters. `SLIGHT` is inaudible: shown, but a room does not differ by it."""

    SLIGHT = 1
    AUDIBLE = 2
    SERIOUS = 3

    @property
    def word(self) -> str:
        """The grade in lower case, as people and JSON see it."""
        return self.name.lower()


Subject = Literal["live", "stored"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreed:
    """That somebody signed for a difference: who, why, and the last day on which it is agreed."""

    owner: str
    reason: str
    until: date


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One setting that is not as wanted.

    `subject` tells live settings from the contents of the house-curve slot. `words` is the engineer's sentence;
    `wanted` and `found` are the raw values as short text; `amount` is the size in `unit` (dB, ms, degrees), if any.
    `agreed` is given where it is an agreed deviation.
    """

    room: Name
    position: Name
    device: Id
    output: OutputNumber
    subject: Subject
    setting: str
    grade: Grade
    words: str
    wanted: str
    found: str
    amount: float | None = None
    unit: str = ""
    slot: SlotNumber | None = None
    agreed: Agreed | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """Something to know that is no difference: a slot that cannot be read, an external mute, a firmware apart."""

    room: str
    position: str
    device: Id
    words: str
    silent: bool = False
    """The position is not heard, and this tool leaves it so: an external contact or an alarm mutes it."""


Unchecked = Literal["missing", "unreachable", "conflicting", "life_safety", "unsuitable"]


@dataclass(frozen=True, slots=True, kw_only=True)
class NotChecked:
    """A position (or a device without one) that could not be compared, and why: said, never assumed to be right."""

    room: str
    position: str
    device: Id
    reason: Unchecked
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """What comparing a set of positions brought to light, in the order of rooms, positions and settings."""

    checked: tuple[tuple[Name, Name], ...] = ()
    differences: tuple[Difference, ...] = ()
    notes: tuple[Note, ...] = ()
    not_checked: tuple[NotChecked, ...] = ()

    def counting(self) -> tuple[Difference, ...]:
        """Differences that make a room differ: audible and serious ones that nobody agreed to."""
        return tuple(d for d in self.differences if d.grade >= Grade.AUDIBLE and d.agreed is None)

    def agreed(self) -> tuple[Difference, ...]:
        """Differences that somebody signed for."""
        return tuple(d for d in self.differences if d.agreed is not None)

    def same(self) -> bool:
        """True where every position was checked and nothing audible differs (life-safety positions are left out)."""
        return not self.counting() and all(n.reason == "life_safety" for n in self.not_checked)
