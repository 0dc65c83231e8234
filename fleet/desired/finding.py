"""What a design check found, and what a check is given to look at."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

from fleet.desired.load import Version
from fleet.desired.wording import listed, quoted
from fleet.errors import Complaint
from fleet.model.description import Description
from fleet.model.venue import Position

Severity = Literal["error", "warning", "note"]
ProblemsOf: TypeAlias = Callable[[Position, Description], Sequence[tuple[str, str]]]
"""(setting, what is wrong) for everything of a position that a device cannot represent: a driver's knowledge."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing a check has to say. `name` is the check's; an error keeps a version from being applied."""

    name: str
    severity: Severity
    complaint: Complaint


@dataclass(frozen=True, slots=True)
class Remark:
    """What a check says of a position and a setting, before its name and place are known."""

    severity: Severity
    position: Position
    setting: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """A version beside the descriptions of its devices, as far as they are known."""

    version: Version
    descriptions: Mapping[str, Description]
    problems_of: ProblemsOf

    def described(self) -> Iterator[tuple[Position, Description]]:
        """Positions whose device is known, with its description; life-safety positions are left out."""
        for position in self.version.venue.positions():
            description = self.descriptions.get(position.device)
            if description is not None and not position.life_safety:
                yield position, description


Check: TypeAlias = Callable[[Design], Iterator[Remark]]


def some(names: Sequence[str]) -> str:
    """A few names of many."""
    if len(names) <= 3:
        return listed([quoted(name) for name in names])
    return f"{', '.join(quoted(name) for name in names[:2])} and {len(names) - 2} more"
