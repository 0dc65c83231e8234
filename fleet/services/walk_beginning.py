"""How a walk begins: what is asked for, a new walk of a room, and the last one of it to go on with. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from fleet.errors import BadInput, NotFound, Refused
from fleet.model.venue import Venue
from fleet.model.walk import Walk, WalkState
from fleet.reconcile.scope import room_of, select
from fleet.reconcile.walking import LIFE_SAFETY, in_order, noted, serves_life_safety

LEVEL_DB = -30.0
"""The highest level under test unless another one is asked for."""
STEP_WITHIN_S = 600.0
SHORTEST_STEP_S, LONGEST_STEP_S = 10.0, 3600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedWalk:
    """A walk to begin, or (`go_on`) the last one of the room to continue; its own levels and times hold then."""

    room: str
    group: str | None = None
    level_db: float = LEVEL_DB
    step_within_s: float = STEP_WITHIN_S
    go_on: bool = False
    as_baseline: bool = False
    screen: str = ""


def refuse_wrong(asked: AskedWalk) -> None:
    """Raise `BadInput` for what no walk can be."""
    if asked.as_baseline and asked.group:
        raise _no_baseline()
    if not SHORTEST_STEP_S <= asked.step_within_s <= LONGEST_STEP_S:
        raise BadInput(
            f"{asked.step_within_s:g} s for a position are too few or too many",
            where="--step-within",
            remedy="Give from 10s to 1h.",
        )


def new_walk(of_room: Sequence[Walk], asked: AskedWalk, venue: Venue, *, walk: str, who: str, began: datetime) -> Walk:
    """A walk of this id, before its first step. Raises `Refused` where one of the room's walks so far is going on."""
    room = room_of(venue, asked.room)
    if going := next((w for w in of_room if w.state is WalkState.WALKING), None):
        raise Refused(
            f"walk {going.id} of {going.who} is going on in {room.name}",
            remedy=f"`fleet walk {room.name} --continue` takes it over.",
        )
    chosen = in_order({p.name: p for p in select(venue, room.name, group=asked.group)})
    left_alone = [p for p in chosen if serves_life_safety(venue, p)]
    new = Walk(
        id=walk,
        room=room.name,
        only_group=asked.group or "",
        who=who,
        began=began,
        level_db=asked.level_db,
        step_within_s=asked.step_within_s,
        as_baseline=asked.as_baseline,
        positions=tuple(p.name for p in chosen if p not in left_alone),
    )
    for position in left_alone:
        words = LIFE_SAFETY if position.life_safety else f"{position.device} serves {LIFE_SAFETY}"
        new = noted(new, position, words, life_safety=True)
    return new


def to_continue(of_room: Sequence[Walk], asked: AskedWalk) -> Walk:
    """The last of the room's walks. Raises `NotFound` where nothing of it is left, `BadInput` for what it cannot be."""
    if not of_room or (of_room[0].state is WalkState.DONE and not _missed(of_room[0])):
        raise NotFound(f"no walk of {asked.room} is left to continue", remedy="Begin one.")
    if asked.as_baseline and of_room[0].only_group:
        raise _no_baseline()
    return of_room[0]


def continued(walk: Walk, asked: AskedWalk) -> Walk:
    """A walk that goes on, with everything ahead of it that it has no answers for."""
    return replace(
        walk,
        state=WalkState.WALKING,
        as_baseline=walk.as_baseline or asked.as_baseline,
        at="",
        not_walked=tuple(n for n in walk.not_walked if n.life_safety),
        words="",
        ended=None,
    )


def _missed(walk: Walk) -> bool:
    """Whether positions were not walked that could be another time."""
    return any(not one.life_safety for one in walk.not_walked)


def _no_baseline() -> BadInput:
    return BadInput("a walk of a group is no baseline", remedy="Walk the whole room.")
