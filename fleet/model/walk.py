"""A walk: the positions of a room stepped through one at a time, and what a person heard and measured at each."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Annotated, Literal

from pydantic import Field

from fleet.model.names import Id, Name, OutputNumber
from fleet.model.settings import Finite, Positive

Answer = Literal["yes", "no", "not sure"]
Move = Literal["next", "back", "repeat", "skip"]
Screen = Annotated[str, Field(pattern=r"^[A-Za-z0-9-]*$", max_length=64)]
"""A mark that the screen of somebody who walks made for itself."""
LONGEST_NOTES = 2000


class WalkState(StrEnum):
    """Where a walk stands. A walk that was stopped can be continued."""

    WALKING = "walking"
    DONE = "done"
    STOPPED = "stopped"


@dataclass(frozen=True, slots=True, kw_only=True)
class Answers:
    """What a person says of the box that sounds, and what was measured with which instrument, where anything was.

    `impedance_ohm` is that of the line behind the output, by an impedance meter; `level_db` is the sound level.
    """

    place: Answer
    source: Answer
    sound: Answer
    polarity: Answer
    notes: Annotated[str, Field(max_length=LONGEST_NOTES)] = ""
    impedance_ohm: Positive | None = None
    level_db: Finite | None = None
    instrument: Annotated[str, Field(max_length=200)] = ""
    instrument_serial: Annotated[str, Field(max_length=200)] = ""

    @property
    def measured(self) -> bool:
        """True where there is a measured value."""
        return self.impedance_ohm is not None or self.level_db is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """A position under test: its device, its level now and before, who else of the room was muted for it.

    `change` is the change on trial that does it, empty where nothing had to be changed; `may_sound` names those of the
    room that could not be muted, with the reason; `expected_ohm` is V²/P of its line, where it has one.
    """

    position: Name
    device: Id
    output: OutputNumber
    serial: str
    level_db: Finite
    was_db: Finite
    at: datetime
    change: str = ""
    muted: tuple[Name, ...] = ()
    may_sound: tuple[str, ...] = ()
    expected_ohm: Positive | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """One position of a walk with its answers: who gave them, and when."""

    step: Step
    answers: Answers
    who: str
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class NotWalked:
    """A position that was not walked, and why."""

    position: Name
    device: Id
    words: str
    life_safety: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Lead:
    """Who leads a walk, from the screen with this mark (empty: a terminal). Nobody else steps or answers."""

    who: str
    screen: Screen = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Walk:
    """A walk as it is kept.

    `positions` are those to be walked, in their order; `at` is the one the walk came to last, and `now` the one that
    sounds, if any. `level_db` is the highest level under test; `steps` counts the steps that were begun. `words` says
    why it was stopped. A walk that is done `as_baseline` is what later walks of the room are compared with.
    """

    id: Id
    room: Name
    only_group: str = ""
    who: str
    began: datetime
    state: WalkState = WalkState.WALKING
    level_db: Finite
    step_within_s: Positive
    as_baseline: bool = False
    positions: tuple[Name, ...]
    at: str = ""
    now: Step | None = None
    steps: int = 0
    heard: tuple[Heard, ...] = ()
    not_walked: tuple[NotWalked, ...] = ()
    words: str = ""
    ended: datetime | None = None

    @property
    def change_of_step(self) -> str:
        """The id of the change that its last step takes, where that changes anything."""
        return f"{self.id}-{self.steps}"

    @property
    def left(self) -> tuple[Name, ...]:
        """Positions that have neither answers nor a reason why not, in their order."""
        settled = {one.step.position for one in self.heard} | {one.position for one in self.not_walked}
        return tuple(name for name in self.positions if name not in settled)
