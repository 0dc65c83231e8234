"""What stands of a room besides its settings, until something changes it: its mode, and the levels of its operator."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from fleet.model.names import Id, Name


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomMode:
    """The mode a room is in (`house` for none), since when, by whom, and the change that brought it there."""

    room: Name
    mode: Name
    since: datetime
    who: str
    change: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class OperatorLevel:
    """The level that somebody chose for a position within its allowed range; `who` may be a wall panel."""

    room: Name
    position: Name
    level_db: float
    at: datetime
    who: str
    change: str = ""

    @property
    def key(self) -> str:
        """The position's full name."""
        return f"{self.room}/{self.position}"


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelEnd:
    """A level change that is to be taken back at a time."""

    change: Id
    room: Name
    until: datetime
    who: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What a change is about besides settings: the modes of rooms, and levels by full name of a position.

    A level of `None` is one that nobody chose.
    """

    modes: Mapping[Name, Name] = field(default_factory=dict)
    levels_db: Mapping[str, float | None] = field(default_factory=dict)
