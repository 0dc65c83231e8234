"""How a device stands to a change that a stopped daemon left: before it, after it, in the middle of it, or neither."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import StrEnum

from fleet.model.plan import DevicePlan, Target
from fleet.model.settings import DEVICE_SETTINGS, DeviceSettings, OutputSettings
from fleet.model.state import Reported
from fleet.reconcile.exact import same_setting
from fleet.reconcile.readback import deviations


class Stands(StrEnum):
    """How a device reads beside the checkpoint and the goal of a change."""

    BEFORE = "as before"
    AFTER = "as wanted"
    EITHER = "as before and as wanted alike"
    BETWEEN = "in the middle of it"
    NEITHER = "neither as before nor as wanted"


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """How a device was found. `open` tells whether it still has the change open, and so can return by itself."""

    stands: Stands
    open: bool
    margin_ms: float | None = None
    """How long until it returns by itself; `None` without a timer."""
    words: str = ""
    """For `NEITHER`: what is not as before."""


def open_change(change: str, reported: Reported) -> str | None:
    """The id under which a device has this change open, or the writing back of it; `None` where it has not."""
    held = reported.state.change
    if held is not None and (held.id == change or held.id.startswith(back_name(change, ""))):
        return held.id
    return None


def back_name(change: str, which: str) -> str:
    """The id of the small change that writes a checkpoint back."""
    return f"{change}-back-{which}"


def standing(change: str, plan: DevicePlan, reported: Reported) -> Standing:
    """How the device stands to its part of the change.

    `EITHER` where nothing tells before from after: a store into a slot that cannot be read.
    """
    held = open_change(change, reported)
    after = replace(plan.after, stored=()) if held == change else plan.after
    margin_ms = reported.state.change.reverts_in_ms if held == change and reported.state.change else None
    old = deviations(plan.before, reported)
    words = ""
    new = deviations(after, reported)
    if not new and held is None:
        stands = Stands.AFTER if old else Stands.EITHER
    elif not new and _last_phase(plan, reported):
        stands = Stands.AFTER
    elif not old:
        stands = Stands.BEFORE
    elif held is not None or all(_ours(plan, reported)):
        stands = Stands.BETWEEN
    else:
        stands, words = Stands.NEITHER, old[0]
    return Standing(stands=stands, open=held is not None, margin_ms=margin_ms, words=words)


def _last_phase(plan: DevicePlan, reported: Reported) -> bool:
    held = reported.state.change
    return held is not None and bool(plan.work) and held.phase == max(plan.work)


def _ours(plan: DevicePlan, reported: Reported) -> Iterator[bool]:
    """For each setting the change touches: is it the checkpoint's, or one that the change or its undoing writes?"""
    state, description = reported.state, reported.description
    candidates = [plan.before.live, plan.after.live, *_written(plan, reported)]
    slots = {plan.before.active_slot, plan.after.active_slot}
    yield plan.after.active_slot is None or state.active_slot in slots
    for name in DEVICE_SETTINGS:
        if getattr(plan.before.live, name) is not None:
            yield getattr(state.live, name) in {getattr(c, name) for c in candidates}
    for number, before in plan.before.live.outputs.items():
        found = state.output(number)
        outputs = [c.outputs.get(number, OutputSettings()) for c in candidates]
        for name in before.given():
            values = (getattr(o, name) for o in outputs)
            yield name == "mute" or any(
                v is not None and same_setting(description, number, name, v, getattr(found, name)) for v in values
            )
    for contents in (*plan.before.stored, *plan.after.stored):
        either = [c for c in (*plan.before.stored, *plan.after.stored) if c.slot == contents.slot]
        yield any(not deviations(Target(stored=(c,)), reported) for c in either)


def _written(plan: DevicePlan, reported: Reported) -> Iterator[DeviceSettings]:
    for work in (*plan.work.values(), *plan.undo.values()):
        if work.settings is not None:
            yield work.settings
        recalled = reported.slots.get(work.recall) if work.recall is not None else None
        if recalled is not None:
            yield DeviceSettings(input=recalled.input, outputs=recalled.outputs or {})
