"""The rules of a change that a stopped daemon left: read every device, then finish it or take it back.

All as wanted is finished; otherwise everything goes back. A device that is neither as before nor as wanted, and whose
settings are not the change's own, was moved by somebody else: it is not written to, and waits for a person.
"""

from __future__ import annotations

from dataclasses import replace

from fleet.model.change import ChangeState
from fleet.model.plan import DevicePlan
from fleet.model.state import Reported
from fleet.reconcile.going_back import roll_back
from fleet.reconcile.progress import Cancel, Elapsed, Failed, Progress, ReadBack
from fleet.reconcile.standing import Standing, Stands, standing
from fleet.reconcile.transitions import keep_all, on_trial
from fleet.reconcile.turns import Next, end

S = ChangeState
STOPPED = "the daemon stopped in the middle of it"
NOT_HEARD_YET = frozenset({S.PLANNED, S.STAGING, S.COMMITTING, S.VERIFYING})
"""States in which a change that asks for a trial had not begun it: nobody has listened yet."""


def found(progress: Progress, event: ReadBack, now: float) -> Next:
    """Note how a device stands; when all have answered, decide."""
    stands = standing(progress.change, progress.device(event.device), event.reported)
    if stands.stands is Stands.EITHER:
        stands = _resolved(progress, event, stands)
    progress = replace(
        progress,
        found={**progress.found, event.device: stands},
        moments={**progress.moments, event.device: event.reported.state.moment},
        waiting=progress.waiting - {event.device},
    )
    return (progress, ()) if progress.waiting else _decide(progress, now)


def _resolved(progress: Progress, event: ReadBack, stands: Standing) -> Standing:
    """Where the device does not tell whether its slots were stored, the state in which it was left may."""
    part = progress.device(event.device)
    if progress.left is S.KEEPING:
        return replace(stands, stands=Stands.AFTER)
    if progress.left in {S.PLANNED, S.STAGING} or part.stages:
        return replace(stands, stands=Stands.BEFORE)
    if _all_readable(part, event.reported):
        # Before and after differ in the names of slots alone: writing it back is right whichever it is.
        return replace(stands, stands=Stands.BETWEEN)
    return replace(stands, stands=Stands.NEITHER, words="its slots cannot be read, and nothing tells what they hold")


def _all_readable(part: DevicePlan, reported: Reported) -> bool:
    """Whether what the change stores into can be read, and it is known what was there before."""
    there = [reported.slots.get(contents.slot) for contents in part.after.stored]
    return all(slot is not None and slot.outputs is not None for slot in (*there, *part.before.stored))


def not_found(progress: Progress, event: Failed, now: float) -> Next:
    """A device that cannot be read: it is told to go back like the others, and named where that fails."""
    progress = replace(progress, waiting=progress.waiting - {event.device})
    return (progress, ()) if progress.waiting else _decide(progress, now)


def decide_anyway(progress: Progress, _event: Elapsed, now: float) -> Next:
    """Time is up for reading: decide by those that have answered."""
    return _decide(replace(progress, waiting=frozenset()), now)


def go_back(progress: Progress, event: Cancel, _now: float) -> Next:
    """A person wants it back: that is decided, whatever the devices answer."""
    return replace(progress, culprits={**progress.culprits, "": event.why}), ()


def _decide(progress: Progress, now: float) -> Next:
    progress = replace(progress, step=len(progress.schedule))
    if progress.devices == frozenset(progress.found) and not progress.culprits:
        states = progress.found.values()
        if all(s.stands is Stands.AFTER for s in states):
            forward = _finish(progress, now)
            if forward is not None:
                return forward
    return _take_back(progress, now)


def _finish(progress: Progress, now: float) -> Next | None:
    """Everything is as wanted: go on with the trial, or keep; `None` where it is too late for that."""
    for_good = frozenset(d for d, s in progress.found.items() if not s.open and progress.device(d).stages)
    margins_ms = [s.margin_ms for s in progress.found.values() if s.margin_ms is not None]
    progress = replace(progress, kept=for_good, touched=progress.devices)
    if for_good == progress.devices:
        return end(progress, S.KEPT), ()
    if min(margins_ms, default=float("inf")) < progress.limits.keeping_s * 1000:
        return None
    if progress.trial_s is None or progress.left is S.KEEPING:
        return keep_all(progress, now)
    if progress.left in NOT_HEARD_YET or for_good or progress.trial_s <= 0:
        return None
    return on_trial(progress, now, progress.trial_s)


def _take_back(progress: Progress, now: float) -> Next:
    """Take back whatever is not as before; leave alone and name what somebody else has moved."""
    back = frozenset(d for d in progress.devices if _goes_back(progress.found.get(d)))
    closed = frozenset(d for d in back if d in progress.found and not progress.found[d].open)
    stuck = {d: f"{s.stands}: {s.words}" for d, s in sorted(progress.found.items()) if s.stands is Stands.NEITHER}
    why = progress.culprits or {"": STOPPED}
    progress = replace(progress, touched=back, kept=closed, stuck=stuck, culprits=why)
    if back:
        return roll_back(progress, now, {})
    if stuck:
        return end(progress, S.NEEDS_PERSON), ()
    nothing_sent = progress.left in {S.PLANNED, S.STAGING}
    return end(progress, S.CANCELLED if nothing_sent else S.ROLLED_BACK), ()


def _goes_back(stands: Standing | None) -> bool:
    if stands is None or stands.open:
        return True
    return stands.stands in {Stands.AFTER, Stands.BETWEEN}
