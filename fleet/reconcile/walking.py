"""The rules of a walk: which position comes next, and the plan that lets it alone be heard of its room. Pure.

A step only ever mutes and lowers: nothing is unmuted for it, and nothing is louder than it was.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from fleet.errors import Refused
from fleet.model.description import Range
from fleet.model.plan import LeftOut, Plan
from fleet.model.settings import DeviceSettings, OutputSettings
from fleet.model.venue import Position, Room, Venue
from fleet.model.walk import Move, NotWalked, Walk
from fleet.reconcile.device_plan import device_plan
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.reach import Goal
from fleet.reconcile.scope import Scope, Scoped, place
from fleet.reconcile.sealing import finish

LIFE_SAFETY = "life safety: this tool never writes to it"
ROUNDING_DB = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Levels:
    """The level in dB that a position has under test, and the one it had."""

    level_db: float
    was_db: float


def in_order(positions: Mapping[str, Position]) -> tuple[Position, ...]:
    """Positions as people count them: `line-2` before `line-10`."""

    def counted(name: str) -> list[tuple[str, int]]:
        return [(word, 0) if not word.isdigit() else ("", int(word)) for word in name.split("-")]

    return tuple(positions[name] for name in sorted(positions, key=counted))


def serves_life_safety(venue: Venue, position: Position) -> bool:
    """Whether a position or any other one of its device serves life safety."""
    return any(p.life_safety for p in venue.positions_of(position.device))


def ahead(walk: Walk, move: Move) -> tuple[str, ...]:
    """The positions that a move leads to, the first of them that can be walked being the one. Empty for `next`: done.

    Raises `Refused` for a move that the walk cannot make: on without answers, or back from the first.
    """
    if move == "repeat":
        if not walk.at:
            raise Refused("there is nothing to repeat yet")
        return (walk.at,)
    where = walk.positions.index(walk.at) if walk.at else -1
    if move == "back":
        if where <= 0:
            raise Refused("there is no position before this one")
        return walk.positions[where - 1 :: -1]
    left = [name for name in walk.left if name != walk.at] if move == "skip" else list(walk.left)
    if move == "next" and walk.at in left:
        raise Refused(f"{walk.at} has no answers yet", remedy="Answer, or skip it.")
    later = [name for name in left if walk.positions.index(name) > where]
    return (*later, *(name for name in left if name not in later))


def noted(walk: Walk, position: Position, words: str, *, life_safety: bool = False) -> Walk:
    """The walk with a position that is not walked, and why. Earlier answers for it stay."""
    if any(one.step.position == position.name for one in walk.heard):
        return walk
    one = NotWalked(position=position.name, device=position.device, words=words, life_safety=life_safety)
    return replace(walk, not_walked=(*(n for n in walk.not_walked if n.position != position.name), one))


def untouchable(outlook: Outlook, position: Position) -> str:
    """Why a position must not or cannot be written to, in words; empty where it can."""
    if position.life_safety:
        return LIFE_SAFETY
    if serves_life_safety(outlook.venue, position):
        return f"{position.device} serves life safety too: this tool never writes to it"
    if position.device in outlook.conflicting:
        return f"{position.device} is conflicting: {outlook.conflicting[position.device]}"
    if position.device not in outlook.reported:
        return outlook.unreachable.get(position.device, f"{position.device} is not known")
    if position.output not in outlook.reported[position.device].state.live.outputs:
        return f"{position.device} has no output {position.output}"
    return ""


def unwalkable(outlook: Outlook, position: Position, cap_db: float) -> str:
    """Why a position cannot be under test, in words; empty where it can."""
    if words := untouchable(outlook, position):
        return words
    state = outlook.reported[position.device].state
    if others := state.muted_by_others(position.output):
        return f"is muted ({', '.join(others)}): that mute is not ours to end"
    if state.output(position.output).mute:
        return "is muted: a walk unmutes nothing; unmute it, then walk again with --continue"
    if state.output(position.output).level_db is None:
        return f"{position.device} does not tell its level"
    if levels_at(outlook, position, cap_db) is None:
        return f"{position.device} cannot be turned down to {_cap_db(position, cap_db):g} dB"
    return ""


def levels_at(outlook: Outlook, position: Position, cap_db: float) -> Levels | None:
    """The level a position has under test; `None` where its device tells none or cannot go so low.

    It is the highest that the device can hold which is not above `cap_db`, the position's ceiling, or what it has.
    """
    reported = outlook.reported[position.device]
    was_db = reported.state.output(position.output).level_db
    able = reported.description.output(position.output)
    if was_db is None or able is None:
        return None
    highest_db = _cap_db(position, cap_db)
    if was_db <= highest_db + ROUNDING_DB:
        return Levels(level_db=was_db, was_db=was_db)
    level_db = _not_above(able.level_db, highest_db)
    return None if level_db is None else Levels(level_db=level_db, was_db=was_db)


def plan_step(outlook: Outlook, room: Room, position: Position, cap_db: float) -> Plan:
    """Mute every other position of the room that sounds, and hold this one at its level under test.

    The position is one that `unwalkable` has nothing against. Others that cannot be muted are in `left_out`. Outputs
    that serve no position of the room are not touched.
    """
    levels = levels_at(outlook, position, cap_db)
    assert levels is not None
    goals: dict[str, dict[int, OutputSettings]] = {}
    if levels.level_db != levels.was_db:
        goals[position.device] = {position.output: OutputSettings(level_db=levels.level_db)}
    others = [p for p in others_of(room, position) if not untouchable(outlook, p)]
    for other in others:
        if not outlook.reported[other.device].state.output(other.output).mute:
            goals.setdefault(other.device, {})[other.output] = OutputSettings(mute=True)
    own = {place(position), *(place(p) for p in others)}
    plans = []
    for device, outputs in sorted(goals.items()):
        touched = outlook.venue.positions_of(device)
        places = tuple(place(p) for p in touched if p.output in outputs and place(p) in own)
        goal = Goal(live=DeviceSettings(outputs=dict(sorted(outputs.items()))))
        plans.append(device_plan(outlook, device, goal, places))
    left_out = tuple(
        LeftOut(room=p.room, position=p.name, device=p.device, words=words, unable=True)
        for p in others_of(room, position)
        if (words := untouchable(outlook, p))
    )
    scoped = Scoped(positions=(), left_out=left_out, named_rooms=frozenset({room.name}))
    scope = Scope(rooms=(room.name,), position=position.name)
    return finish("walk", outlook, scope, scoped, plans, in_scope=frozenset(own))


def others_of(room: Room, position: Position) -> tuple[Position, ...]:
    """The other positions of a room, but those that the very same output serves."""
    here = (position.device, position.output)
    return tuple(p for _, p in sorted(room.positions.items()) if (p.device, p.output) != here)


def _cap_db(position: Position, cap_db: float) -> float:
    return cap_db if position.ceiling_db is None else min(cap_db, position.ceiling_db)


def _not_above(levels: Range, highest_db: float) -> float | None:
    """The highest level that a device can hold and that is not above this one."""
    if levels.min > highest_db + ROUNDING_DB:
        return None
    level_db = levels.nearest(highest_db)
    return level_db if level_db <= highest_db + ROUNDING_DB else level_db - levels.step
