"""The rules of a change on its way: what each event does in a state. `fleet.reconcile.machine` holds the table of them.

Nothing sounds before every device has staged; nothing is kept before every device was read back; whatever fails
after the first commit takes the whole scope back.
"""

from __future__ import annotations

from dataclasses import replace

from fleet.model.change import ChangeState
from fleet.model.plan import RAMPS, Phase
from fleet.reconcile.expected import wrong
from fleet.reconcile.going_back import roll_back
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
    Progress,
    ReadBack,
)
from fleet.reconcile.turns import Next, answered, blame, end, enter, keep, patient_read, prepare, read

S = ChangeState


def stay(progress: Progress, _event: Event, _now: float) -> Next:
    """Nothing to do: everything stays as it is."""
    return progress, ()


def begin(progress: Progress, _event: Begin, now: float) -> Next:
    """Stage on all devices; nothing to do is kept at once."""
    if not progress.devices:
        return end(progress, S.KEPT), ()
    return enter(progress, S.STAGING, now, progress.limits.staging_s, progress.devices, prepare)


def call_off(progress: Progress, event: Cancel | Elapsed, _now: float) -> Next:
    """End before anything was sent."""
    why = event.why if isinstance(event, Cancel) else "it did not begin in time"
    return end(replace(progress, culprits={"": why}), S.CANCELLED), ()


def staged(progress: Progress, event: Done, now: float) -> Next:
    """When all have staged, commit the first phase; where one could not, all forget."""
    progress = answered(progress, event.device, event.moment)
    if progress.waiting:
        return progress, ()
    return _forget(progress) if progress.culprits else _next_phase(progress, now)


def cannot_stage(progress: Progress, event: Failed, _now: float) -> Next:
    """One cannot stage: nothing has sounded yet, so there is time to hear who else cannot."""
    progress = answered(progress, event.device, None)
    progress = replace(progress, culprits={**progress.culprits, event.culprit: event.why})
    return (progress, ()) if progress.waiting else _forget(progress)


def not_staged(progress: Progress, event: Elapsed | Cancel, _now: float) -> Next:
    """Time is up, or a person stops it: nothing has sounded yet, so all forget."""
    return _forget(replace(progress, culprits={**progress.culprits, **blame(progress, event)}))


def _forget(progress: Progress) -> Next:
    return end(progress, S.CANCELLED), tuple(Forget(device=d) for d in sorted(progress.devices))


def committed(progress: Progress, event: Done, now: float) -> Next:
    """When all have committed the phase: the next one, or a read-back before unmuting and at the end."""
    progress = answered(progress, event.device, event.moment)
    if progress.waiting:
        return progress, ()
    progress = replace(progress, step=progress.step + 1)
    following = progress.schedule[progress.step :]
    if following and following[0] != Phase.UNMUTE:
        return _next_phase(progress, now)
    return _verify(progress, now)


def verified(progress: Progress, event: ReadBack, now: float) -> Next:
    """A read-back that is not as wanted takes all back; when all are, go on, be on trial, keep, or end."""
    if words := wrong(progress, event):
        return roll_back(progress, now, {event.device: words})
    progress = answered(progress, event.device, event.reported.state.moment)
    return (progress, ()) if progress.waiting else _all_verified(progress, now)


def _all_verified(progress: Progress, now: float) -> Next:
    if progress.step < len(progress.schedule):
        return _next_phase(progress, now)
    if progress.trial_s is not None:
        return on_trial(progress, now, progress.trial_s)
    return keep_all(progress, now)


def on_trial(progress: Progress, now: float, left_s: float) -> Next:
    """Wait for a person, `left_s` at the longest."""
    return enter(progress, S.ON_TRIAL, now, left_s, (), read)


def accept(progress: Progress, _event: Accept, now: float) -> Next:
    """Keep what is on trial, once every device has just answered that it still has it.

    It is keeping from here on: a daemon that stops now finds that a person has kept it.
    """
    return enter(progress, S.KEEPING, now, progress.limits.keeping_s, progress.devices, read)


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
    progress = replace(answered(progress, event.device, event.moment), kept=progress.kept | {event.device})
    if progress.waiting:
        return progress, ()
    return enter(progress, S.KEEPING, now, progress.limits.keeping_s, progress.devices, patient_read)


def confirmed(progress: Progress, event: ReadBack, now: float) -> Next:
    """When all read back as kept, the change is; when all that was on trial is still there, it may be kept."""
    if words := wrong(progress, event):
        return roll_back(progress, now, {event.device: words})
    progress = answered(progress, event.device, event.reported.state.moment)
    if progress.waiting:
        return progress, ()
    return (end(progress, S.KEPT), ()) if progress.kept == progress.devices else keep_all(progress, now)


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

    return enter(progress, S.COMMITTING, now, progress.limits.committing_s, who, commit)


def keep_all(progress: Progress, now: float) -> Next:
    """Tell every device that does not hold the change for good yet to keep it."""
    who = progress.devices - progress.kept
    return enter(progress, S.KEEPING, now, progress.limits.keeping_s, who, keep)


def read_all(progress: Progress, now: float) -> Next:
    """A restarted daemon reads every device before it decides anything."""
    return enter(progress, S.RECOVERING, now, progress.limits.recovering_s, progress.devices, patient_read)


def _verify(progress: Progress, now: float) -> Next:
    return enter(progress, S.VERIFYING, now, progress.limits.verifying_s, progress.devices, read)
