"""When a level that a device tells is one that somebody chose: a wall panel, a control system, a hand at the box. Pure.

Only a level inside its allowed range counts, and only one that appeared while the device ran on: in the same boot, in
the same active slot, with no change of ours about. Everything else is explained by what happened to the device. So it
is with what is found after nobody listened: it is set beside what the device told last.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from fleet.model.change import ChangeRecord, ChangeState
from fleet.model.description import Description
from fleet.model.plan import Target
from fleet.model.standing import LevelsTold
from fleet.model.state import State
from fleet.model.venue import Position
from fleet.reconcile.exact import ROUNDING, same_number

AT_THE_BOX: Final = "at the box"
ELSEWHERE: Final = "a wall panel or a control system"
NOBODY: Final = frozenset({"power_up", "reverted"})
"""Causes that are no choice of anybody's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """A level in dB that somebody chose for a position, and who, as far as the device tells."""

    position: Position
    level_db: float
    who: str


def levels_told(state: State, at: datetime) -> LevelsTold:
    """The levels of a state that was told at a moment."""
    return LevelsTold(
        device=state.id,
        at=at,
        boot_id=state.boot_id,
        active_slot=state.active_slot,
        levels_db={n: s.level_db for n, s in state.live.outputs.items() if s.level_db is not None},
    )


def left_by(told: LevelsTold, records: Iterable[ChangeRecord]) -> LevelsTold:
    """What a device told, with what changes did to it that ended since; the records are newest first."""
    for record in reversed([r for r in records if r.ended is not None and r.ended >= told.at]):
        for plan in record.plan.devices:
            if plan.device == told.device:
                left = plan.after if record.state is ChangeState.KEPT else plan.before
                slot = told.active_slot if left.active_slot is None else left.active_slot
                told = replace(told, active_slot=slot, levels_db={**told.levels_db, **levels_left(left)})
    return told


def levels_left(target: Target) -> dict[int, float]:
    """The levels of outputs that a change ended with."""
    return {n: s.level_db for n, s in target.live.outputs.items() if s.level_db is not None}


def followed(
    before: LevelsTold | None, state: State, description: Description, positions: tuple[Position, ...], *, ours: bool
) -> tuple[Choice, ...]:
    """The levels in a state that a device told which somebody chose since the one before.

    `positions` are those of the device whose level has a range; `ours` tells that a change of ours is about.
    """
    if before is None or ours or state.change is not None or state.cause in NOBODY:
        return ()
    if (before.boot_id, before.active_slot) != (state.boot_id, state.active_slot):
        return ()
    who = AT_THE_BOX if state.cause == "panel" else ELSEWHERE
    choices = []
    for position in positions:
        level_db = state.output(position.output).level_db
        known_db = before.levels_db.get(position.output)
        if level_db is None or known_db is None or _same(description, position.output, known_db, level_db):
            continue
        if _allowed(position, level_db):
            choices.append(Choice(position=position, level_db=level_db, who=who))
    return tuple(choices)


def arrived(state: State, description: Description, levels_db: Mapping[int, float]) -> bool:
    """Whether a state has the levels of outputs that a change of ours ended with."""
    told = {n: state.output(n).level_db for n in levels_db}
    return all(
        (found := told[n]) is not None and _same(description, n, level_db, found) for n, level_db in levels_db.items()
    )


def _allowed(position: Position, level_db: float) -> bool:
    between, ceiling_db = position.between["level_db"], position.ceiling_db
    high_db = between.high if ceiling_db is None else min(between.high, ceiling_db)
    return between.low - ROUNDING <= level_db <= high_db + ROUNDING


def _same(description: Description, output: int, known_db: float, level_db: float) -> bool:
    able = description.output(output)
    return same_number(able.level_db if able else None, known_db, level_db)
