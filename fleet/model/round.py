"""A round: an order of rooms, each put right by a change of its own, one after another."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Literal

from fleet.model.names import Id, Name
from fleet.model.plan import Plan

RoundKind = Literal["apply", "recall"]


class RoomState(StrEnum):
    """Where a room of a round stands. A room whose change has ended has that change's word."""

    NOT_BEGUN = "not begun"
    RUNNING = "running"
    AS_IT_SHOULD_BE = "as it should be"
    NOTHING_TO_DO = "nothing to do"
    """Nothing was left to do, but some of the room was left out."""
    KEPT = "kept"
    REFUSED = "refused"
    MOVED = "moved"
    """Its plan would be another one than was shown."""
    FAILED = "failed"
    """It could not be tried: the link or the database is down."""
    ROLLED_BACK = "rolled back"
    CANCELLED = "cancelled"
    NEEDS_PERSON = "needs a person"


DONE: frozenset[RoomState] = frozenset({RoomState.AS_IT_SHOULD_BE, RoomState.NOTHING_TO_DO, RoomState.KEPT})


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomResult:
    """How a room of a round went.

    `counted` maps devices that failed, were unreachable or were late to the reason in words. `stops` is true where
    the round goes no further, however many devices it counts: a person or the daemon stopped it here.
    """

    room: Name
    state: RoomState = RoomState.NOT_BEGUN
    words: str = ""
    change: str = ""
    counted: Mapping[str, str] = field(default_factory=dict)
    stops: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomLook:
    """A room of a round that is asked about: its plan, or `None` and in `refused` why there is none."""

    room: Name
    plan: Plan | None = None
    refused: RoomResult | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Round:
    """A round as it stands. `stopped` says why rooms were not begun; it is empty where all had their turn."""

    id: Id
    kind: RoundKind
    who: str
    why: str
    started: datetime
    stop_after: int
    rooms: tuple[RoomResult, ...]
    stopped: str = ""
    ended: datetime | None = None

    @property
    def all_done(self) -> bool:
        """True where every room is as it was meant to be."""
        return all(result.state in DONE for result in self.rooms)
