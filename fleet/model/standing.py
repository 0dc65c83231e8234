"""What stands of a room besides its settings, until something changes it: its mode, its operator's levels, mutes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

from fleet.model.days import HOUSE_MODE
from fleet.model.names import Id, Name, OutputNumber

LEVEL_IN_MODE: Final = "@"
"""Between the full name of a position and a mode; no name has it."""


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
    """The level that somebody chose for a position within its allowed range, in a mode; `who` may be a wall panel."""

    room: Name
    position: Name
    level_db: float
    at: datetime
    who: str
    change: str = ""
    mode: Name = HOUSE_MODE

    @property
    def key(self) -> str:
        """What it stands by."""
        return level_key(self.room, self.position, self.mode)


def level_key(room: Name, position: Name, mode: Name) -> str:
    """What a chosen level stands by: the full name of its position, and its mode where that is not `house`."""
    name = f"{room}/{position}"
    return name if mode == HOUSE_MODE else f"{name}{LEVEL_IN_MODE}{mode}"


def level_place(key: str) -> tuple[Name, Name, Name]:
    """The room, the position and the mode of what a chosen level stands by."""
    name, _, mode = key.partition(LEVEL_IN_MODE)
    room, position = name.split("/")
    return room, position, mode or HOUSE_MODE


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelEnd:
    """A level change that is to be taken back at a time.

    `back_db` holds the levels before it and `chosen` the choices that stood then, both by `level_key`.
    """

    change: Id
    room: Name
    until: datetime
    who: str
    back_db: Mapping[str, float] = field(default_factory=dict)
    chosen: Mapping[str, OperatorLevel] = field(default_factory=dict)
    noticed: bool = False
    """People were told that it could not be taken back in time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelsTold:
    """The levels of a device's outputs as it told them last, when, and in which boot and active slot that was."""

    device: Id
    at: datetime
    boot_id: str
    active_slot: int | None
    levels_db: Mapping[OutputNumber, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class OurMute:
    """A position that somebody muted through this tool, with the output that served it then."""

    room: Name
    position: Name
    device: Id
    output: OutputNumber
    at: datetime
    who: str
    change: Id

    @property
    def key(self) -> str:
        """The position's full name."""
        return f"{self.room}/{self.position}"


@dataclass(frozen=True, slots=True, kw_only=True)
class SlotsWritten:
    """When a kept change last wrote to the slots of a device, and which."""

    device: Id
    at: datetime
    change: Id


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What a change is about besides settings: the modes of rooms, and levels by `level_key`.

    A level of `None` is one that nobody chose.
    """

    modes: Mapping[Name, Name] = field(default_factory=dict)
    levels_db: Mapping[str, float | None] = field(default_factory=dict)
    chosen: Mapping[str, OperatorLevel] = field(default_factory=dict)
    """Those of `levels_db` that somebody chose before this change, with who and when."""
    until: datetime | None = None
    """When these levels are to be taken back."""
    back_db: Mapping[str, float] = field(default_factory=dict)
    """The levels that they are taken back to then."""
    muted: Mapping[str, OutputNumber | None] = field(default_factory=dict)
    """Positions, by full name, that somebody muted through this tool, with their outputs; `None` for no more."""
