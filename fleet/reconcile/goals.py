"""What a device's live settings are to be for a plan: fixed settings, and allowed ranges brought inside."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from fleet.model.description import Range
from fleet.model.settings import DeviceSettings, OutputSettings
from fleet.model.state import Reported
from fleet.model.venue import Between, Position
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.reach import Goal
from fleet.reconcile.recalled import after_recall
from fleet.reconcile.wanted import WantedDevice

NOTHING = OutputSettings()


def live_goal(
    want: WantedDevice,
    reported: Reported,
    positions: tuple[Position, ...],
    *,
    slot: int | None = None,
    levels_db: Mapping[str, float] | None = None,
    levels_from_slot: bool = False,
) -> Goal:
    """Desired live settings of the positions in scope; the house slot is recalled if not active, or as told.

    Where another slot is agreed nothing is recalled: what the house slot would bring is written instead.
    Where a level has a range, the one in `levels_db` (by full name of a position) is brought back, else the present
    one stays; with `levels_from_slot` it is what the slot holds. Each is brought inside its range.
    """
    recall = slot if slot is not None else (want.slot if want.slot != reported.state.active_slot else None)
    if want.kept_slot is not None:
        recall = None
    known = after_recall(reported, recall)
    held = after_recall(reported, want.slot if recall is None else recall) if levels_from_slot else None
    outputs = {}
    for p in positions:
        chosen_db = (levels_db or {}).get(f"{p.room}/{p.name}")
        if held is not None:
            chosen_db = held.outputs.get(p.output, NOTHING).level_db
        outputs[p.output] = _with_ranges(want, p.output, known, reported, chosen_db)
    live = DeviceSettings(
        input=want.input, panel_locked=want.panel_locked, power_up_slot=want.power_up_slot, outputs=outputs
    )
    others = frozenset(set(reported.state.live.outputs) - set(outputs))
    return Goal(live=live, recall=recall, hold=others)


def standing_levels_db(outlook: Outlook) -> dict[str, float]:
    """The levels that somebody chose in the modes of the venue, none above what a room's guests may have.

    By full name of a position.
    """
    rooms, limits_db = outlook.venue.rooms, outlook.level_limits_db
    return {
        f"{one.room}/{one.position}": min(one.level_db, limits_db.get(one.room, math.inf))
        for one in outlook.levels.values()
        if one.room in rooms and rooms[one.room].mode == one.mode
    }


def _with_ranges(
    want: WantedDevice, output: int, known: DeviceSettings, reported: Reported, chosen_db: float | None
) -> OutputSettings:
    """Fixed settings, and for each allowed range the chosen or the present value, brought inside it."""
    wanted = want.outputs[output]
    present = reported.state.output(output)
    ranged: dict[str, Any] = {}
    for name, between in wanted.between.items():
        now = getattr(present, name)
        if now is None:
            continue
        steps = getattr(reported.description.output(output), name, None)
        value = chosen_db if name == "level_db" and chosen_db is not None else now
        inside = brought_inside(between, steps, value)
        moved = getattr(known.outputs.get(output, NOTHING), name) != now
        if inside != now or moved:
            ranged[name] = inside
    return replace(wanted.settings, **ranged)


def brought_inside(between: Between, steps: Range | None, value: float) -> float:
    """The value itself where it is allowed, else the nearest allowed one that the device can hold."""
    if between.low <= value <= between.high:
        return value
    edge = min(max(value, between.low), between.high)
    if steps is None:
        return edge
    kept = steps.nearest(edge)
    if kept < between.low:
        return kept + steps.step
    return kept - steps.step if kept > between.high else kept
