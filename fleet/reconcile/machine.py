"""A change as a pure state machine: `(progress, event, now) -> (progress, effects)`, from one transition table.

Every (state, event) cell is defined; a cell without a rule of its own leaves everything as it is (`stay`). Answers to
an older turn are void.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any, TypeAlias

from fleet.model.change import ChangeState
from fleet.model.plan import Plan
from fleet.reconcile import transitions as rules
from fleet.reconcile.progress import (
    Begin,
    Cancel,
    Done,
    Elapsed,
    Event,
    Failed,
    Limits,
    Progress,
    ReadBack,
)
from fleet.reconcile.transitions import Next

S = ChangeState
Rule: TypeAlias = Callable[[Progress, Any, float], Next]

EVENTS: tuple[type[Event], ...] = (Begin, Done, Failed, ReadBack, Elapsed, Cancel)


def planned(plan: Plan, limits: Limits | None = None) -> Progress:
    """A change that has not begun."""
    phases = sorted({phase for device in plan.devices for phase in device.work})
    moments = {device.device: device.expect for device in plan.devices}
    return Progress(plan=plan, schedule=tuple(phases), moments=moments, limits=limits or Limits())


def interrupted(plan: Plan, now: float, limits: Limits | None = None) -> Next:
    """A change that a stopped daemon left unfinished: everything it may have touched goes back."""
    progress = replace(planned(plan, limits), touched=frozenset(d.device for d in plan.devices))
    return rules.roll_back(progress, now, {"": "the daemon stopped in the middle of it"})


def step(progress: Progress, event: Event, now: float) -> Next:
    """The next progress and the effects to perform. Total: every event is answered in every state."""
    if isinstance(event, Done | Failed | ReadBack | Elapsed) and event.turn != progress.turn:
        return progress, ()
    if isinstance(event, Done | Failed | ReadBack) and event.device not in progress.waiting:
        return progress, ()
    return TABLE[progress.state, type(event)](progress, event, now)


OWN_RULES: dict[tuple[ChangeState, type[Event]], Rule] = {
    (S.PLANNED, Begin): rules.begin,
    (S.PLANNED, Cancel): rules.call_off,
    (S.STAGING, Done): rules.staged,
    (S.STAGING, Failed): rules.not_staged,
    (S.STAGING, Elapsed): rules.not_staged,
    (S.STAGING, Cancel): rules.not_staged,
    (S.COMMITTING, Done): rules.committed,
    (S.COMMITTING, Failed): rules.fail,
    (S.COMMITTING, Elapsed): rules.fail,
    (S.COMMITTING, Cancel): rules.fail,
    (S.VERIFYING, ReadBack): rules.verified,
    (S.VERIFYING, Failed): rules.fail,
    (S.VERIFYING, Elapsed): rules.fail,
    (S.VERIFYING, Cancel): rules.fail,
    (S.KEEPING, Done): rules.kept,
    (S.KEEPING, Failed): rules.fail,
    (S.KEEPING, Elapsed): rules.fail,
    (S.KEEPING, Cancel): rules.fail,
    (S.ROLLING_BACK, Done): rules.went_back,
    (S.ROLLING_BACK, Failed): rules.went_back,
    (S.ROLLING_BACK, Elapsed): rules.check_anyway,
    (S.CHECKING, ReadBack): rules.checked,
    (S.CHECKING, Failed): rules.cannot_check,
    (S.CHECKING, Elapsed): rules.give_up,
}

TABLE: dict[tuple[ChangeState, type[Event]], Rule] = {
    (state, event): OWN_RULES.get((state, event), rules.stay) for state in ChangeState for event in EVENTS
}
