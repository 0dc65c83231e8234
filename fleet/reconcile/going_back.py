"""Going back: every device that a change may have touched is taken back, and read to see whether it is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from fleet.model.change import ChangeState
from fleet.reconcile.progress import (
    Cancel,
    Done,
    Effect,
    Elapsed,
    Failed,
    Forget,
    Progress,
    ReadBack,
    Revert,
    WriteBack,
)
from fleet.reconcile.readback import deviations
from fleet.reconcile.standing import open_change
from fleet.reconcile.turns import Next, answered, blame, end, enter, patient_read

S = ChangeState


def fail(progress: Progress, event: Failed | Elapsed | Cancel, now: float) -> Next:
    """Whatever went wrong after the first commit takes the whole scope back."""
    return roll_back(progress, now, blame(progress, event))


def failed_too(progress: Progress, event: Failed) -> Progress:
    """A device that failed in the turn that is being rolled back already: it is named beside the first."""
    if event.culprit in progress.culprits:
        return progress
    return replace(progress, culprits={**progress.culprits, event.culprit: event.why})


def roll_back(progress: Progress, now: float, culprits: Mapping[str, str]) -> Next:
    """Take every device back that may have been touched; the others forget what they staged."""
    progress = replace(progress, culprits={**progress.culprits, **culprits}, failed_in=progress.turn)
    forgets = tuple(Forget(device=d) for d in sorted(progress.devices - progress.touched))
    if not progress.touched:
        return end(progress, S.CANCELLED), forgets
    progress, effects = _take_back(progress, now, progress.touched)
    return progress, forgets + effects


def went_back(progress: Progress, event: Done | Failed, now: float) -> Next:
    """When all were told to go back, see whether they did; a failure shows there."""
    moment = event.moment if isinstance(event, Done) else None
    progress = answered(progress, event.device, moment)
    return (progress, ()) if progress.waiting else _check(progress, now)


def check_anyway(progress: Progress, _event: Elapsed, now: float) -> Next:
    """Time is up for going back: see how far it came."""
    return _check(progress, now)


def checked(progress: Progress, event: ReadBack, now: float) -> Next:
    """Judge a device by its checkpoint, and see that nothing of the change is left open on it."""
    apart = list(deviations(progress.device(event.device).before, event.reported))
    if open_change(progress.change, event.reported) is not None:
        apart.append("still has the change open")
    return _judged(progress, {event.device: apart[0]} if apart else {}, event.device, now)


def cannot_check(progress: Progress, event: Failed, now: float) -> Next:
    """A device that cannot be read is stuck until it can."""
    return _judged(progress, {event.device: event.why}, event.device, now)


def check_is_over(progress: Progress, _event: Elapsed, now: float) -> Next:
    """Time is up for checking: whoever has not answered is stuck, too."""
    silent = dict.fromkeys(progress.waiting, "did not answer after the rollback")
    return _after_check(replace(progress, stuck={**progress.stuck, **silent}), now)


def _judged(progress: Progress, stuck: Mapping[str, str], device: str, now: float) -> Next:
    progress = replace(answered(progress, device, None), stuck={**progress.stuck, **stuck})
    return (progress, ()) if progress.waiting else _after_check(progress, now)


def _after_check(progress: Progress, now: float) -> Next:
    """All are back, or those that are not are told once more, or need a person."""
    if not progress.stuck:
        return end(progress, S.ROLLED_BACK), ()
    again = progress.touched & frozenset(progress.stuck)
    if again and progress.attempt < progress.limits.attempts:
        left_alone = {d: words for d, words in progress.stuck.items() if d not in again}
        return _take_back(replace(progress, stuck=left_alone), now, again)
    return end(progress, S.NEEDS_PERSON), ()


def _take_back(progress: Progress, now: float, who: frozenset[str]) -> Next:
    progress = replace(progress, attempt=progress.attempt + 1)
    return enter(progress, S.ROLLING_BACK, now, progress.limits.rolling_back_s, who, _undo)


def _check(progress: Progress, now: float) -> Next:
    return enter(progress, S.CHECKING, now, progress.limits.checking_s, progress.touched, patient_read)


def _undo(progress: Progress, device: str) -> Effect:
    by_itself = progress.device(device).stages and device not in progress.kept and progress.attempt == 1
    if by_itself:
        return Revert(device=device, turn=progress.turn)
    return WriteBack(device=device, turn=progress.turn, alone_s=progress.limits.alone_s)
