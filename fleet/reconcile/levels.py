"""The plans of level changes: what has an allowed range moves inside it, all of it or nothing. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from fleet.errors import BadInput
from fleet.model.description import Range
from fleet.model.plan import Plan
from fleet.model.settings import DeviceSettings, OutputSettings
from fleet.model.standing import LevelEnd, OperatorLevel, Standing
from fleet.model.venue import Between, Position
from fleet.model.venue_time import on_the_clock
from fleet.reconcile.device_plan import device_plan
from fleet.reconcile.exact import ROUNDING, same_number
from fleet.reconcile.goals import brought_inside
from fleet.reconcile.leeway import Leeway, leeway_of, refuse_beyond, step_of
from fleet.reconcile.level_standing import key_of, levels_before
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.plans import by_device
from fleet.reconcile.reach import Goal
from fleet.reconcile.scope import Scope, Scoped, place, select, work_out
from fleet.reconcile.sealing import finish, sealed
from fleet.reconcile.words import db, number

LEVEL = "level_db"


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelMove:
    """Louder or softer by so many dB, or to a level in dB: one of the two. `who` asks, and `until` is its end."""

    by_db: float | None = None
    to_db: float | None = None
    until: datetime | None = None
    who: str = ""


def movable(outlook: Outlook, scope: Scope) -> tuple[Position, ...]:
    """The positions of a scope whose level has a range. Raises `NotFound` for unknown names."""
    found = work_out(outlook.venue, scope, {}).positions
    return tuple(p for p in found if LEVEL in p.between and not p.life_safety)


def plan_level(outlook: Outlook, scope: Scope, move: LevelMove) -> Plan:
    """Move the levels of a scope within their ranges; fixed ones stay out of it.

    A device that does not answer is left out and named, its coherent set with it. Raises `Refused` where any other
    position would leave its range or rise above its ceiling, with the largest step that all can do.
    """
    if (move.by_db is None) == (move.to_db is None):
        raise BadInput("a level change goes by a step or to a level", remedy="Give one of them, and not both.")
    scoped = _scoped(outlook, scope)
    spans = [leeway_of(outlook, p) for ps in by_device(outlook, scoped).values() for p in ps]
    targets_db = {s.key: level_db for s, level_db in _targets(spans, move)}
    before = levels_before(outlook, targets_db)
    then = _then(outlook, spans, targets_db, before)
    moved = then.levels_db != before.levels_db
    if move.until is not None and moved:
        then = replace(then, until=move.until, back_db={s.key: s.present_db for s in spans})
    plan = _finished(outlook, scope, scoped, spans, targets_db, move.who)
    if then.until is not None:
        words = f"taken back at {on_the_clock(then.until, outlook.venue.time_zone)}"
        plan = replace(plan, notes=(*plan.notes, words))
    return sealed(replace(plan, was=before, then=then))


def plan_level_end(outlook: Outlook, end: LevelEnd) -> Plan:
    """Take a level change back, as far as nobody chose another level since.

    What cannot be reached is left out, and has the level from before standing, so that a recall brings it back. So has
    everything where the room is in another mode than it was chosen in: no device is touched then.
    Raises `NotFound` where its room is no more.
    """
    ours = {key for key, one in outlook.levels.items() if one.change == end.change and key in end.back_db}
    scope = Scope(rooms=(end.room,))
    asked = {key_of(outlook.venue, p) for p in select(outlook.venue, end.room) if LEVEL in p.between} & ours
    asked |= {key for key in ours if _in_another_mode(outlook, outlook.levels[key])}
    scoped = _only(outlook, _scoped(outlook, scope), ours)
    spans = [leeway_of(outlook, p) for ps in by_device(outlook, scoped).values() for p in ps]
    targets_db = {s.key: _back(s, end.back_db[s.key]) for s in spans}
    left = {key: end.back_db[key] for key in sorted(asked) if key not in targets_db and key not in end.chosen}
    chosen = {key: one for key, one in end.chosen.items() if key in ours}
    levels_db = {**dict.fromkeys(sorted(ours)), **left, **{key: one.level_db for key, one in chosen.items()}}
    plan = _finished(outlook, scope, scoped, spans, targets_db, end.who)
    return sealed(
        replace(
            plan,
            scope=f"{end.room}, back to what it was before change {end.change}",
            was=levels_before(outlook, ours),
            then=Standing(levels_db=levels_db, chosen=chosen),
        )
    )


def _scoped(outlook: Outlook, scope: Scope) -> Scoped:
    """The positions that may move; those whose device cannot take part are left out, their coherent sets with them."""
    ranged = {place(p): p for p in movable(outlook, replace(scope, without=frozenset()))}
    unable = {**outlook.unreachable, **outlook.conflicting}
    dead = {p.device: unable[p.device] for p in ranged.values() if p.device in unable}
    scoped = work_out(outlook.venue, scope, dead, leave_out_dead=True)
    left_out = (x for x in scoped.left_out if (x.room, x.position) in ranged)
    return replace(
        scoped,
        positions=tuple(p for p in scoped.positions if place(p) in ranged),
        left_out=tuple(replace(x, unable=x.device in dead) for x in left_out),
        notes=() if len(ranged) == 1 else scoped.notes,
    )


def _in_another_mode(outlook: Outlook, one: OperatorLevel) -> bool:
    room = outlook.venue.rooms.get(one.room)
    return room is not None and room.mode != one.mode


def _only(outlook: Outlook, scoped: Scoped, keys: set[str]) -> Scoped:
    places = {place(p) for p in outlook.venue.positions() if key_of(outlook.venue, p) in keys}
    return replace(
        scoped,
        positions=tuple(p for p in scoped.positions if place(p) in places),
        left_out=tuple(x for x in scoped.left_out if (x.room, x.position) in places),
        notes=(),
    )


def _targets(spans: Sequence[Leeway], move: LevelMove) -> Iterator[tuple[Leeway, float]]:
    """The level each is to have. Raises `Refused` where one of them cannot."""
    wanted = [(s, step_of(s, move.by_db or 0.0) if move.to_db is None else s.levels.nearest(move.to_db)) for s in spans]
    refuse_beyond(spans, wanted, move.by_db)
    yield from wanted


def _back(span: Leeway, back_db: float) -> float:
    """The level from before, as far as the range and the ceiling of today allow it."""
    allowed = Between(low=span.low_db, high=max(span.low_db, span.high_db))
    return brought_inside(allowed, span.levels, back_db)


def _then(outlook: Outlook, spans: Sequence[Leeway], targets_db: Mapping[str, float], before: Standing) -> Standing:
    """The choices that stand afterwards: one that is chosen again stays whoever's it was."""
    kept = {
        s.key: one for s in spans if (one := outlook.levels.get(s.key)) and _alike(s.levels, one, targets_db[s.key])
    }
    levels_db = {**targets_db, **{key: one.level_db for key, one in kept.items()}}
    return replace(before, levels_db=dict(sorted(levels_db.items())), chosen=dict(sorted(kept.items())))


def _alike(levels: Range, one: OperatorLevel, level_db: float) -> bool:
    return same_number(levels, one.level_db, level_db)


def _finished(
    outlook: Outlook,
    scope: Scope,
    scoped: Scoped,
    spans: Sequence[Leeway],
    targets_db: Mapping[str, float],
    who: str,
) -> Plan:
    plans = []
    for device, positions in by_device(outlook, scoped).items():
        outputs = {p.output: OutputSettings(level_db=targets_db[key_of(outlook.venue, p)]) for p in positions}
        places = tuple(place(p) for p in positions)
        plans.append(device_plan(outlook, device, Goal(live=DeviceSettings(outputs=outputs)), places))
    rising = {s.position.room for s in spans if targets_db[s.key] > s.present_db + ROUNDING}
    # Turning down must be possible while a show runs; louder it gets only by whoever holds the room.
    held = {r: words for r, words in outlook.held.items() if r in rising and outlook.holders.get(r, "") != who}
    plan = finish("level", replace(outlook, held=held), scope, scoped, plans)
    moves = (_told(s, targets_db[s.key]) for s in spans)
    return replace(plan, differences=(), notes=(*plan.notes, *(words for words in moves if words)))


def _told(span: Leeway, to_db: float) -> str:
    """How a level moves, in words; empty where it stays."""
    if same_number(span.levels, span.present_db, to_db):
        return ""
    return f"{span.position.name} from {number(span.present_db)} to {db(to_db)}"
