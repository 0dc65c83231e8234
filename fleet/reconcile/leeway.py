"""How far a level may move: its range, its ceiling, and the steps of its device; and what is said where it may not."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from fleet.errors import Refused
from fleet.model.description import Range
from fleet.model.venue import Position
from fleet.reconcile.exact import ROUNDING
from fleet.reconcile.level_standing import key_of
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.words import db, number

FINEST_TOLD_DB: Final = 0.1
"""The step in which one that is possible is told where devices have none of their own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Leeway:
    """The level of a position now, and between which levels it may move, each one that its device can hold.

    `ceiling_db` is the lower one of its own ceiling and that of the room's guests: it may not rise above it, but go
    down from above it. `range_db` is its allowed range as written.
    """

    position: Position
    key: str
    """What its level stands by."""
    levels: Range
    present_db: float
    range_db: tuple[float, float]
    low_db: float
    high_db: float
    ceiling_db: float = math.inf

    def allows(self, level_db: float) -> bool:
        """True where the level may be had from here."""
        low, high = self.range_db
        falls = level_db <= self.present_db + ROUNDING
        return low - ROUNDING <= level_db <= (high if falls else min(high, self.ceiling_db)) + ROUNDING


def leeway_of(outlook: Outlook, position: Position) -> Leeway:
    """The leeway of a position with a range. Raises `Refused` where its device does not tell its level."""
    between = position.between["level_db"]
    reported = outlook.reported[position.device]
    able = reported.description.output(position.output)
    present_db = reported.state.output(position.output).level_db
    if able is None or present_db is None:
        raise Refused(f"{position.device} does not tell the level of {position.name}")
    limits = (position.ceiling_db, outlook.level_limits_db.get(position.room))
    ceiling_db = min((limit for limit in limits if limit is not None), default=math.inf)
    return Leeway(
        position=position,
        key=key_of(outlook.venue, position),
        levels=able.level_db,
        present_db=present_db,
        range_db=(between.low, between.high),
        low_db=_at_least(able.level_db, between.low),
        high_db=_at_most(able.level_db, min(between.high, ceiling_db)),
        ceiling_db=ceiling_db,
    )


def step_of(span: Leeway, by_db: float) -> float:
    """The level that the device has one step on: by as many of its own as come nearest, the same up and down."""
    if not span.levels.step:
        return span.present_db + by_db
    steps = math.floor(abs(by_db) / span.levels.step + 0.5 + ROUNDING)
    return span.levels.nearest(span.present_db + math.copysign(steps * span.levels.step, by_db))


def largest_step(spans: Sequence[Leeway], *, up: bool) -> float:
    """The largest step in dB, above 0, that every position can do alike in this direction; 0 where there is none."""
    room_db = min((_left(s, up=up) for s in spans), default=0.0)
    coarsest = max((s.levels.step for s in spans), default=0.0) or FINEST_TOLD_DB
    size_db = math.floor(room_db / coarsest + ROUNDING) * coarsest
    while size_db > ROUNDING and not _possible(spans, size_db if up else -size_db):
        size_db -= coarsest
    return round(max(0.0, size_db), 3)


def refuse_beyond(spans: Sequence[Leeway], wanted: Sequence[tuple[Leeway, float]], by_db: float | None) -> None:
    """Raise `Refused` where any of these levels is not allowed, saying what would be."""
    if by_db is None:
        if trouble := [_beyond(s, to_db) for s, to_db in wanted if not s.allows(to_db)]:
            raise Refused("; ".join(trouble), remedy=_possible_levels(spans))
        return
    if outside := [s for s in spans if not s.range_db[0] - ROUNDING <= s.present_db <= s.range_db[1] + ROUNDING]:
        words = "; ".join(f"{s.position.name} is at {db(s.present_db)}, outside {_range(s)}" for s in outside)
        room = outside[0].position.room
        raise Refused(words, remedy=f"Bring it back first (`fleet apply {room}`), or give a level with --to-db.")
    if coarse := [s for s, to_db in wanted if by_db and abs(to_db - s.present_db) < ROUNDING]:
        words = "; ".join(f"{s.position.name} moves in steps of {db(s.levels.step)}" for s in coarse)
        raise Refused(words, remedy=f"Write {'+' if by_db > 0 else '-'}{number(max(s.levels.step for s in coarse))}.")
    _refuse_apart(wanted)
    if trouble := [_beyond(s, to_db) for s, to_db in wanted if not s.allows(to_db)]:
        size_db = largest_step(spans, up=by_db > 0)
        step = f"{'+' if by_db > 0 else '-'}{size_db:g}"
        whose = "" if len(spans) == 1 else " for all of them"
        remedy = f"{step} is possible{whose}." if size_db else _none_left(spans, up=by_db > 0)
        raise Refused("; ".join(trouble), remedy=remedy)


def _refuse_apart(wanted: Sequence[tuple[Leeway, float]]) -> None:
    """Members of a coherent set move alike."""
    for first, first_db in wanted:
        for other, other_db in wanted:
            shared = sorted(set(first.position.coherent) & set(other.position.coherent))
            if first.position.room != other.position.room or not shared:
                continue
            apart_db = (first_db - first.present_db) - (other_db - other.present_db)
            if abs(apart_db) > ROUNDING:
                names = f"{first.position.name} and {other.position.name}"
                steps = f"{db(first.levels.step)} and {db(other.levels.step)}"
                coarsest = max(first.levels.step, other.levels.step)
                raise Refused(
                    f"{names} of the coherent set {shared[0]} would not move alike: their steps are {steps}",
                    remedy=f"Ask for a step of {db(coarsest)} or a multiple of it.",
                )


def _possible(spans: Sequence[Leeway], by_db: float) -> bool:
    return all(s.allows(step_of(s, by_db)) for s in spans)


def _left(span: Leeway, *, up: bool) -> float:
    return max(0.0, span.high_db - span.present_db if up else span.present_db - span.low_db)


def _none_left(spans: Sequence[Leeway], *, up: bool) -> str:
    at_end = [s.position.name for s in spans if _left(s, up=up) < max(s.levels.step, ROUNDING) - ROUNDING]
    names = ", ".join(at_end) or "one of them"
    return (
        f"No step {'up' if up else 'down'} is possible for all: {names} is as {'loud' if up else 'soft'} as it may be."
    )


def _beyond(span: Leeway, to_db: float) -> str:
    low, high = span.range_db
    if low - ROUNDING <= to_db <= high + ROUNDING:
        whose = (
            "its ceiling" if span.ceiling_db == span.position.ceiling_db else "the ceiling of the guests in the room"
        )
        return f"{span.position.name} would be at {db(to_db)}, above {whose} of {db(span.ceiling_db)}"
    return f"{span.position.name} would be at {db(to_db)}, outside {_range(span)}"


def _range(span: Leeway) -> str:
    low, high = span.range_db
    return f"its range of {number(low)} to {db(high)}"


def _possible_levels(spans: Sequence[Leeway]) -> str:
    low, high = max(s.low_db for s in spans), min(s.high_db for s in spans)
    if low > high:
        return "No level is possible for all of them: narrow it with --group or --position."
    whose = "" if len(spans) == 1 else " for all of them"
    return f"{number(low)} to {db(high)} is possible{whose}."


def _at_most(levels: Range, value: float) -> float:
    """The highest level that the device can hold and that is not above the value."""
    kept = levels.nearest(value)
    return kept - levels.step if kept > value + ROUNDING else kept


def _at_least(levels: Range, value: float) -> float:
    kept = levels.nearest(value)
    return kept + levels.step if kept < value - ROUNDING else kept
