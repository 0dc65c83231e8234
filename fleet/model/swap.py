"""A swap: the positions of one device served by another from now on, in steps that a killed daemon can take up."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Any

from fleet.model.names import Id, Name


class SwapState(StrEnum):
    """Which step of a swap is being done. The last three are ends."""

    MUTING = "muting"
    WRITING = "writing"
    SETTING = "setting"
    UNMUTING = "unmuting"
    GOING_BACK = "going back"
    DONE = "done"
    TAKEN_BACK = "taken back"
    NEEDS_PERSON = "needs a person"

    @property
    def ended(self) -> bool:
        """True where nothing more will happen by itself."""
        return self in (SwapState.DONE, SwapState.TAKEN_BACK, SwapState.NEEDS_PERSON)


@dataclass(frozen=True, slots=True, kw_only=True)
class Swap:
    """One swap as it is kept.

    `positions` are (room, position); `version_before` is the hash of the version in force when it began; `writes` what
    is written in the room file at each `room/position` (`None` takes a member out); `undoes` the swap that it undoes.
    `words` tells of the last step, or why it went back.
    """

    id: Id
    positions: tuple[tuple[Name, Name], ...]
    old: Id
    old_serial: str
    new: Id
    new_serial: str
    who: str
    why: str
    began: datetime
    state: SwapState = SwapState.MUTING
    version_before: str
    writes: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    undoes: str = ""
    words: str = ""
    ended: datetime | None = None

    @property
    def places(self) -> tuple[str, ...]:
        """The positions as people write them."""
        return tuple(f"{room}/{position}" for room, position in self.positions)
