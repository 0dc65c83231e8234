"""The rules of a change: what each event does in a state. `fleet.reconcile.machine` holds the table of them.

Nothing sounds before every device has staged; nothing is kept before every device was read back; whatever fails
after the first commit takes the whole scope back.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import TypeAlias

from fleet.model.change import ChangeState
from fleet.model.plan import RAMPS, Phase, Target
from fleet.model.state import Moment
from fleet.reconcile.progress import (
    Accept,
    Begin,
    Cancel,
    Commit,
    Done,
    Effect,
    Elapsed,
    Event,
    Failed,
    Forget,
    Heard,
    Keep,
    Prepare,
    Progress,
    Read,
    ReadBack,
    Revert,
    WriteBack,
)
from fleet.reconcile.readback import deviations
from fleet.reconcile.standing import open_change

S = ChangeState
MOST_TOLD = 3
"""Settings that are told of a device that reads back wrong."""
Next: TypeAlias = tuple[Progress, tuple[Effect, ...]]


def stay(progress: Progress, _event: Event, _now: float) -> Next:
    """Nothing to do: everything stays as it is."""
    return progress, ()


def begin(progress: Progress, _event: Begin, now: float) -> Next:
    """Stage on all devices; nothing to do is kept at once."""
    if not progress.devices:
        return end(progress, S.KEPT), ()
    return _enter(progress, S.STAGING, now, progress.limits.staging_s, progress.devices, _prepare)


def call_off(progress: Progress, event: Cancel | Elapsed, _now: float) -> Next:
    """End before anything was sent."""
    why = event.why if isinstance(event, Cancel) else "it did not begin in time"
    return end(replace(progress, culprits={"": why}), S.CANCELLED), ()


def staged(progress: Progress, event: Done, now: float) -> Next:
    """When all have staged, commit the first phase; where one could not, all forget."""
    progress = _answered(progress, event.device, event.moment)
    if progress.waiting:
        return progress, ()
    return _forget(progress) if progress.culprits else _next_phase(progress, now)


def cannot_stage(progress: Progress, event: Failed, _now: float) -> Next:
    """One cannot stage: nothing has sounded yet, so there is time to hear who else cannot."""
    progress = _answered(progress, event.device, None)
    progress = replace(progress, culprits={**progress.culprits, event.culprit: event.why})
    return (progress, ()) if progress.waiting else _forget(progress)


def not_staged(progress: Progress, event: Elapsed | Cancel, _now: float) -> Next:
    """Time is up, or a person stops it: nothing has sounded yet, so all forget."""
    return _forget(replace(progress, culprits={**progress.culprits, **_blame(progress, event)}))


def _forget(progress: Progress) -> Next:
    return end(progress, S.CANCELLED), tuple(Forget(device=d) for d in sorted(progress.devices))


def committed(progress: Progress, event: Done, now: float) -> Next:
    """When all have committed the phase: the next one, or a read-back before unmuting and at the end."""
    progress = _answered(progress, event.device, event.moment)
    if progress.waiting:
        return progress, ()
    progress = replace(progress, step=progress.step + 1)
    following = progress.schedule[progress.step :]
    if following and following[0] != Phase.UNMUTE:
        return _next_phase(progress, now)
    return _verify(progress, now)


def verified(progress: Progress, event: ReadBack, now: float) -> Next:
    """A read-back that is not as wanted takes all back; when all are, go on, be on trial, keep, or end."""
    if words := _wrong(progress, event):
        return roll_back(progress, now, {event.device: words})
    progress = _answered(progress, event.device, event.reported.state.moment)
    return (progress, ()) if progress.waiting else _all_verified(progress, now)


def _all_verified(progress: Progress, now: float) -> Next:
    if progress.step < len(progress.schedule):
        return _next_phase(progress, now)
    if progress.trial_s is not None:
        return on_trial(progress, now, progress.trial_s)
    return keep_all(progress, now)


def on_trial(progress: Progress, now: float, left_s: float) -> Next:
    """Wait for a person, `left_s` at the longest."""
    return _enter(progress, S.ON_TRIAL, now, left_s, (), _read)


def accept(progress: Progress, _event: Accept, now: float) -> Next:
    """Keep what is on trial, once every device has just answered that it still has it.

    It is keeping from here on: a daemon that stops now finds that a person has kept it.
    """
    return _enter(progress, S.KEEPING, now, progress.limits.keeping_s, progress.devices, _read)


def trial_over(progress: Progress, _event: Elapsed, now: float) -> Next:
    """Nobody kept it in time: everything returns."""
    return roll_back(progress, now, {"": "nobody kept it in time"})


def overheard(progress: Progress, event: Heard, now: float) -> Next:
    """A device that has not the change open any more has returned by itself: the others follow."""
    mine = progress.devices - progress.kept
    if event.device not in mine or event.change == progress.change or not progress.device(event.device).stages:
        return progress, ()
    return roll_back(progress, now, {event.device: "went back by itself"})


def kept(progress: Progress, event: Done, now: float) -> Next:
    """When all have kept, read them once more: a device may say so and not do it, or have moved just then.

    Patiently, since it is too late to be strict with one that is booting.
    """
    progress = replace(_answered(progress, event.device, event.moment), kept=progress.kept | {event.device})
    if progress.waiting:
        return progress, ()
    return _enter(progress, S.KEEPING, now, progress.limits.keeping_s, progress.devices, _patient_read)


def confirmed(progress: Progress, event: ReadBack, now: float) -> Next:
    """When all read back as kept, the change is; when all that was on trial is still there, it may be kept."""
    if words := _wrong(progress, event):
        return roll_back(progress, now, {event.device: words})
    progress = _answered(progress, event.device, event.reported.state.moment)
    if progress.waiting:
        return progress, ()
    return (end(progress, S.KEPT), ()) if progress.kept == progress.devices else keep_all(progress, now)


def fail(progress: Progress, event: Failed | Elapsed | Cancel, now: float) -> Next:
    """Whatever went wrong after the first commit takes the whole scope back."""
    return roll_back(progress, now, _blame(progress, event))


def failed_too(progress: Progress, event: Failed) -> Progress:
    """A device that failed in the turn that is being rolled back already: it is named beside the first."""
    if event.culprit in progress.culprits:
        return progress
    return replace(progress, culprits={**progress.culprits, event.culprit: event.why})


def went_back(progress: Progress, event: Done | Failed, now: float) -> Next:
    """When all were told to go back, see whether they did; a failure shows there."""
    moment = event.moment if isinstance(event, Done) else None
    progress = _answered(progress, event.device, moment)
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
    progress = replace(_answered(progress, device, None), stuck={**progress.stuck, **stuck})
    return (progress, ()) if progress.waiting else _after_check(progress, now)


def _after_check(progress: Progress, now: float) -> Next:
    """All are back, or those that are not are told once more, or need a person."""
    if not progress.stuck:
        return end(progress, S.ROLLED_BACK), ()
    again = progress.touched & frozenset(progress.stuck)
    if again and progress.attempt < progress.limits.attempts:
        left_alone = {d: words for d, words in progress.stuck.items() if d not in again}
        return take_back(replace(progress, stuck=left_alone), now, again)
    return end(progress, S.NEEDS_PERSON), ()


def _next_phase(progress: Progress, now: float) -> Next:
    """Commit the next phase of the schedule, or verify where none is left."""
    if progress.step >= len(progress.schedule):
        return _verify(progress, now)
    phase = progress.schedule[progress.step]
    who = frozenset(d.device for d in progress.plan.devices if phase in d.work)
    progress = replace(progress, touched=progress.touched | who)

    def commit(p: Progress, device: str) -> Effect:
        return Commit(
            device=device,
            turn=p.turn,
            phase=phase,
            expect=p.moments[device],
            alone_s=p.limits.alone_s + (p.trial_s or 0.0),
            after_s=p.limits.ramp_pause_s if phase in RAMPS else 0.0,
        )

    return _enter(progress, S.COMMITTING, now, progress.limits.committing_s, who, commit)


def keep_all(progress: Progress, now: float) -> Next:
    """Tell every device that does not hold the change for good yet to keep it."""
    who = progress.devices - progress.kept
    return _enter(progress, S.KEEPING, now, progress.limits.keeping_s, who, _keep)


def read_all(progress: Progress, now: float) -> Next:
    """A restarted daemon reads every device before it decides anything."""
    return _enter(progress, S.RECOVERING, now, progress.limits.recovering_s, progress.devices, _patient_read)


def _verify(progress: Progress, now: float) -> Next:
    return _enter(progress, S.VERIFYING, now, progress.limits.verifying_s, progress.devices, _read)


def roll_back(progress: Progress, now: float, culprits: Mapping[str, str]) -> Next:
    """Take every device back that may have been touched; the others forget what they staged."""
    progress = replace(progress, culprits={**progress.culprits, **culprits}, failed_in=progress.turn)
    forgets = tuple(Forget(device=d) for d in sorted(progress.devices - progress.touched))
    if not progress.touched:
        return end(progress, S.CANCELLED), forgets
    progress, effects = take_back(progress, now, progress.touched)
    return progress, forgets + effects


def take_back(progress: Progress, now: float, who: frozenset[str]) -> Next:
    progress = replace(progress, attempt=progress.attempt + 1)
    return _enter(progress, S.ROLLING_BACK, now, progress.limits.rolling_back_s, who, _undo)


def _check(progress: Progress, now: float) -> Next:
    return _enter(progress, S.CHECKING, now, progress.limits.checking_s, progress.touched, _patient_read)


def _enter(
    progress: Progress,
    state: ChangeState,
    now: float,
    limit_s: float,
    who: Iterable[str],
    effect: Callable[[Progress, str], Effect],
) -> Next:
    waiting = frozenset(who)
    progress = replace(progress, state=state, turn=progress.turn + 1, deadline=now + limit_s, waiting=waiting)
    return progress, tuple(effect(progress, device) for device in sorted(waiting))


def end(progress: Progress, state: ChangeState) -> Progress:
    """The change at one of its ends."""
    return replace(progress, state=state, turn=progress.turn + 1, waiting=frozenset(), deadline=0.0)


def _answered(progress: Progress, device: str, moment: Moment | None) -> Progress:
    moments = progress.moments if moment is None else {**progress.moments, device: moment}
    return replace(progress, waiting=progress.waiting - {device}, moments=moments)


def _blame(progress: Progress, event: Failed | Elapsed | Cancel) -> dict[str, str]:
    if isinstance(event, Failed):
        return {event.culprit: event.why}
    if isinstance(event, Cancel):
        return {"": event.why}
    return dict.fromkeys(sorted(progress.waiting), f"did not answer in time while {progress.state}")


def _expected(progress: Progress, device: str) -> Target:
    """What a device should read back as by now: quiet before anything is unmuted, stored only once kept."""
    plan = progress.device(device)
    if progress.step < len(progress.schedule):
        return plan.quiet
    return plan.after if progress.kept == progress.devices else replace(plan.after, stored=())


def _wrong(progress: Progress, event: ReadBack) -> str:
    """What is wrong with a read-back, in words: not as wanted, or too late to be told to keep; empty where nothing."""
    if apart := deviations(_expected(progress, event.device), event.reported):
        more = f" and {len(apart) - MOST_TOLD} more" if len(apart) > MOST_TOLD else ""
        return f"reads back {'; '.join(apart[:MOST_TOLD])}{more}"
    if event.device in progress.kept and open_change(progress.change, event.reported) is not None:
        return "said that it keeps, and has not"
    held = event.reported.state.change
    if progress.step < len(progress.schedule) or held is None or held.reverts_in_ms is None:
        return ""
    if held.reverts_in_ms >= progress.limits.keeping_s * 1000:
        return ""
    return f"goes back by itself in {held.reverts_in_ms / 1000:.0f} s, too soon to be kept safely"


def _prepare(progress: Progress, device: str) -> Effect:
    return Prepare(device=device, turn=progress.turn)


def _read(progress: Progress, device: str) -> Effect:
    return Read(device=device, turn=progress.turn)


def _patient_read(progress: Progress, device: str) -> Effect:
    return Read(device=device, turn=progress.turn, patient=True)


def _keep(progress: Progress, device: str) -> Effect:
    return Keep(device=device, turn=progress.turn)


def _undo(progress: Progress, device: str) -> Effect:
    by_itself = progress.device(device).stages and device not in progress.kept and progress.attempt == 1
    if by_itself:
        return Revert(device=device, turn=progress.turn)
    return WriteBack(device=device, turn=progress.turn, alone_s=progress.limits.alone_s)
