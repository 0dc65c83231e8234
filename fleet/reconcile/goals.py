"""What a device's live settings are to be for a plan: fixed settings, and allowed ranges brought inside."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from fleet.model.description import Range
from fleet.model.settings import DeviceSettings, OutputSettings
from fleet.model.state import Reported
from fleet.model.venue import Between, Position
from fleet.reconcile.reach import Goal
from fleet.reconcile.recalled import after_recall
from fleet.reconcile.wanted import WantedDevice


def live_goal(
    want: WantedDevice, reported: Reported, positions: tuple[Position, ...], *, slot: int | None = None
) -> Goal:
    """Desired live settings of the positions in scope; the house slot is recalled if not active, or as told."""
    recall = slot if slot is not None else (want.slot if want.slot != reported.state.active_slot else None)
    known = after_recall(reported, recall)
    outputs = {p.output: _with_ranges(want, p.output, known, reported) for p in positions}
    live = DeviceSettings(
        input=want.input, panel_locked=want.panel_locked, power_up_slot=want.power_up_slot, outputs=outputs
    )
    others = frozenset(set(reported.state.live.outputs) - set(outputs))
    return Goal(live=live, recall=recall, hold=others)


def _with_ranges(want: WantedDevice, output: int, known: DeviceSettings, reported: Reported) -> OutputSettings:
    """Fixed settings, and for each allowed range the present value brought inside it."""
    wanted = want.outputs[output]
    present = reported.state.output(output)
    ranged: dict[str, Any] = {}
    for name, between in wanted.between.items():
        now = getattr(present, name)
        steps = getattr(reported.description.output(output), name, None)
        inside = None if now is None else _inside(between, steps, now)
        moved = getattr(known.outputs.get(output, OutputSettings()), name) != now
        if inside is not None and (inside != now or moved):
            ranged[name] = inside
    return replace(wanted.settings, **ranged)


def _inside(between: Between, steps: Range | None, value: float) -> float:
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
