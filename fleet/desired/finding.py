"""What a design check is, what it is given to look at, and what it finds."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Final, Literal, TypeAlias

from fleet.desired.version import Version
from fleet.desired.wording import quoted
from fleet.errors import Complaint
from fleet.model.description import Description
from fleet.model.listing import listed
from fleet.model.venue import Position, Room

Severity = Literal["error", "warning", "note"]
ProblemsOf: TypeAlias = Callable[[Position, Description], Sequence[tuple[str, str]]]
"""(setting, what is wrong) for everything of a position that a device cannot represent: a driver's knowledge."""

PRACTICE: Final = "common practice, no published source"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing a check has to say. `name` is the check's."""

    name: str
    severity: Severity
    complaint: Complaint


@dataclass(frozen=True, slots=True, kw_only=True)
class Silenced:
    """A finding that is not reported, and the reason that the files give for it."""

    finding: Finding
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """What all checks together found in a version, in the order of the checks and then of places."""

    findings: tuple[Finding, ...]
    silenced: tuple[Silenced, ...] = ()


@dataclass(frozen=True, slots=True)
class Remark:
    """What a check says of a setting of a position or room, before its name and place are known.

    `beside` are further positions that it is about: silence at any of them counts. `mode` is the mode of the room
    that gives the setting, where one does.
    """

    severity: Severity
    about: Position | Room
    setting: str
    text: str
    beside: tuple[Position, ...] = ()
    mode: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """A version beside the descriptions of its devices, as far as they are known."""

    version: Version
    descriptions: Mapping[str, Description]
    problems_of: ProblemsOf
    slot_names: Mapping[str, Mapping[int, str]] = field(default_factory=dict)
    today: date | None = None
    """The day at the venue; without it nothing is overdue."""

    def rooms(self) -> Iterator[Room]:
        """The rooms, by name."""
        yield from (room for _, room in sorted(self.version.venue.rooms.items()))

    def ours(self) -> Iterator[Position]:
        """Positions that may be written to: all but the life-safety ones."""
        yield from (position for position in self.version.venue.positions() if not position.life_safety)

    def described(self) -> Iterator[tuple[Position, Description]]:
        """Positions whose device is known, with its description; life-safety positions are left out."""
        for position in self.ours():
            description = self.descriptions.get(position.device)
            if description is not None:
                yield position, description


Look: TypeAlias = Callable[[Design], Iterator[Remark]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """A check and what a person may want to know of it.

    `seeks` is what it looks for, `explains` the physics or practice behind it with the numbers, `source` where those
    are published. One that is not `silenceable` keeps people, equipment or the change itself from harm.
    """

    name: str
    look: Look
    severities: tuple[Severity, ...]
    seeks: str
    explains: str
    source: str
    silenceable: bool = True


def some(names: Sequence[str]) -> str:
    """A few names of many."""
    if len(names) <= 3:
        return listed([quoted(name) for name in names])
    return f"{', '.join(quoted(name) for name in names[:2])} and {len(names) - 2} more"
