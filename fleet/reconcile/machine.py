"""A change as a pure state machine: `(progress, event, now) -> (progress, effects)`, from one transition table.

Every (state, event) cell is defined; a cell without a rule of its own leaves everything as it is (`stay`). Answers to
an older turn are void, but for the failures of the turn that is being rolled back: they are named.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any, NamedTuple, TypeAlias

from fleet.model.change import ChangeState
from fleet.model.plan import Plan
from fleet.reconcile import going_back, recovery
from fleet.reconcile import transitions as rules
from fleet.reconcile.progress import (
    Accept,
    Begin,
    Cancel,
    Done,
    Elapsed,
    Event,
    Failed,
    Heard,
    Limits,
    Progress,
    ReadBack,
)
from fleet.reconcile.turns import Next

S = ChangeState
Rule: TypeAlias = Callable[[Progress, Any, float], Next]


class Cell(NamedTuple):
    """A cell of the table: its rule, and the states it can lead to besides the one it is in."""

    rule: Rule
    leads_to: tuple[ChangeState, ...]


EVENTS: tuple[type[Event], ...] = (Begin, Done, Failed, ReadBack, Elapsed, Cancel, Accept, Heard)


def planned(
    change: str, plan: Plan, now: float, limits: Limits | None = None, *, trial_s: float | None = None
) -> Progress:
    """A change that has not begun; with `trial_s` it is on trial for so long before it is kept."""
    phases = sorted({phase for device in plan.devices for phase in device.work})
    moments = {device.device: device.expect for device in plan.devices}
    limits = limits or Limits()
    return Progress(
        change=change,
        plan=plan,
        schedule=tuple(phases),
        moments=moments,
        limits=limits,
        trial_s=trial_s,
        deadline=now + limits.planned_s,
    )


def left_behind(progress: Progress, state: ChangeState, now: float, *, going_back: bool) -> Next:
    """A change that a stopped daemon left in `state`: every device is read before anything is decided.

    `progress` is as `planned` makes it, with what is left of the trial.
    """
    why = {"": recovery.STOPPED} if going_back else {}
    return rules.read_all(replace(progress, left=state, culprits=why), now)


def step(progress: Progress, event: Event, now: float) -> Next:
    """The next progress and the effects to perform. Total: every event is answered in every state."""
    if isinstance(event, Done | Failed | ReadBack | Elapsed) and event.turn != progress.turn:
        if isinstance(event, Failed) and event.turn == progress.failed_in and not progress.state.ended:
            return going_back.failed_too(progress, event), ()
        return progress, ()
    if isinstance(event, Done | Failed | ReadBack) and event.device not in progress.waiting:
        return progress, ()
    return TABLE[progress.state, type(event)].rule(progress, event, now)


BACK = (S.ROLLING_BACK,)
OVER = (S.NEEDS_PERSON, S.ROLLED_BACK)
ONWARDS = (S.COMMITTING, S.ON_TRIAL, S.KEEPING, S.ROLLING_BACK)
DECIDED = (S.ON_TRIAL, S.KEEPING, S.KEPT, S.CANCELLED, S.ROLLING_BACK, *OVER)

OWN_RULES: dict[tuple[ChangeState, type[Event]], Cell] = {
    (S.PLANNED, Begin): Cell(rules.begin, (S.STAGING, S.KEPT)),
    (S.PLANNED, Elapsed): Cell(rules.call_off, (S.CANCELLED,)),
    (S.PLANNED, Cancel): Cell(rules.call_off, (S.CANCELLED,)),
    (S.STAGING, Done): Cell(rules.staged, (S.COMMITTING, S.CANCELLED)),
    (S.STAGING, Failed): Cell(rules.cannot_stage, (S.CANCELLED,)),
    (S.STAGING, Elapsed): Cell(rules.not_staged, (S.CANCELLED,)),
    (S.STAGING, Cancel): Cell(rules.not_staged, (S.CANCELLED,)),
    (S.COMMITTING, Done): Cell(rules.committed, (S.COMMITTING, S.VERIFYING)),
    (S.COMMITTING, Failed): Cell(going_back.fail, BACK),
    (S.COMMITTING, Elapsed): Cell(going_back.fail, BACK),
    (S.COMMITTING, Cancel): Cell(going_back.fail, BACK),
    (S.VERIFYING, ReadBack): Cell(rules.verified, ONWARDS),
    (S.VERIFYING, Failed): Cell(going_back.fail, BACK),
    (S.VERIFYING, Elapsed): Cell(going_back.fail, BACK),
    (S.VERIFYING, Cancel): Cell(going_back.fail, BACK),
    (S.ON_TRIAL, Accept): Cell(rules.accept, (S.KEEPING,)),
    (S.ON_TRIAL, Heard): Cell(rules.overheard, BACK),
    (S.ON_TRIAL, Elapsed): Cell(rules.trial_over, BACK),
    (S.ON_TRIAL, Cancel): Cell(going_back.fail, BACK),
    (S.KEEPING, Done): Cell(rules.kept, (S.KEEPING,)),
    (S.KEEPING, ReadBack): Cell(rules.confirmed, (S.KEEPING, S.KEPT, S.ROLLING_BACK)),
    (S.KEEPING, Failed): Cell(going_back.fail, BACK),
    (S.KEEPING, Elapsed): Cell(going_back.fail, BACK),
    (S.KEEPING, Cancel): Cell(going_back.fail, BACK),
    (S.ROLLING_BACK, Done): Cell(going_back.went_back, (S.CHECKING,)),
    (S.ROLLING_BACK, Failed): Cell(going_back.went_back, (S.CHECKING,)),
    (S.ROLLING_BACK, Elapsed): Cell(going_back.check_anyway, (S.CHECKING,)),
    (S.CHECKING, ReadBack): Cell(going_back.checked, (*BACK, *OVER)),
    (S.CHECKING, Failed): Cell(going_back.cannot_check, (S.ROLLING_BACK, S.NEEDS_PERSON)),
    (S.CHECKING, Elapsed): Cell(going_back.check_is_over, (S.ROLLING_BACK, S.NEEDS_PERSON)),
    (S.RECOVERING, ReadBack): Cell(recovery.found, DECIDED),
    (S.RECOVERING, Failed): Cell(recovery.not_found, BACK),
    (S.RECOVERING, Elapsed): Cell(recovery.decide_anyway, BACK),
    (S.RECOVERING, Cancel): Cell(recovery.go_back, ()),
}

TABLE: dict[tuple[ChangeState, type[Event]], Cell] = {
    (state, event): OWN_RULES.get((state, event), Cell(rules.stay, ())) for state in ChangeState for event in EVENTS
}
