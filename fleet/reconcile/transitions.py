"""The rules of a change: what each event does in a state. `fleet.reconcile.machine` holds the table of them.

Nothing sounds before every device has staged; nothing is kept before every device was read back; whatever fails
after the first commit takes the whole scope back.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import TypeAlias

from fleet.model.change import ChangeState
from fleet.model.plan import Phase, Target
from fleet.model.state import Moment
from fleet.reconcile.progress import (
    Begin,
    Cancel,
    Commit,
    Done,
    Effect,
    Elapsed,
    Event,
    Failed,
    Forget,
    Keep,
    Prepare,
    Progress,
    Read,
    ReadBack,
    Revert,
    WriteBack,
)
from fleet.reconcile.readback import deviations

S = ChangeState
Next: TypeAlias = tuple[Progress, tuple[Effect, ...]]


def stay(progress: Progress, _event: Event, _now: float) -> Next:
    """Nothing to do: everything stays as it is."""
    return progress, ()


def begin(progress: Progress, _event: Begin, now: float) -> Next:
    """Stage on all devices; nothing to do is kept at once."""
    if not progress.devices:
        return _end(progress, S.KEPT), ()
    return _enter(progress, S.STAGING, now, progress.limits.staging_s, progress.devices, _prepare)


def call_off(progress: Progress, event: Cancel, _now: float) -> Next:
    """End before anything was sent."""
    return _end(replace(progress, culprits={"": event.why}), S.CANCELLED), ()


def staged(progress: Progress, event: Done, now: float) -> Next:
    """When all have staged, commit the first phase."""
    progress = _answered(progress, event.device, event.moment)
    return (progress, ()) if progress.waiting else _next_phase(progress, now)


def not_staged(progress: Progress, event: Failed | Elapsed | Cancel, _now: float) -> Next:
    """One cannot stage, or time is up: nothing has sounded yet, so all forget."""
    ended = _end(replace(progress, culprits=_blame(progress, event)), S.CANCELLED)
    return ended, tuple(Forget(device=d) for d in sorted(progress.devices))


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
    """A read-back that is not as wanted takes all back; when all are, go on, keep, or end."""
    wanted = _expected(progress, event.device)
    if apart := deviations(wanted, event.reported):
        return roll_back(progress, now, {event.device: f"reads back {apart[0]}"})
    progress = _answered(progress, event.device, event.reported.state.moment)
    if progress.waiting:
        return progress, ()
    if progress.kept == progress.devices:
        return _end(progress, S.KEPT), ()
    if progress.step < len(progress.schedule):
        return _next_phase(progress, now)
    return _enter(progress, S.KEEPING, now, progress.limits.keeping_s, progress.devices, _keep)


def kept(progress: Progress, event: Done, now: float) -> Next:
    """When all have kept: read stored slots back, or end."""
    progress = replace(_answered(progress, event.device, event.moment), kept=progress.kept | {event.device})
    if progress.waiting:
        return progress, ()
    storing = any(device.after.stored for device in progress.plan.devices)
    return _verify(progress, now) if storing else (_end(progress, S.KEPT), ())


def fail(progress: Progress, event: Failed | Elapsed | Cancel, now: float) -> Next:
    """Whatever went wrong after the first commit takes the whole scope back."""
    return roll_back(progress, now, _blame(progress, event))


def went_back(progress: Progress, event: Done | Failed, now: float) -> Next:
    """When all were told to go back, see whether they did; a failure shows there."""
    moment = event.moment if isinstance(event, Done) else None
    progress = _answered(progress, event.device, moment)
    return (progress, ()) if progress.waiting else _check(progress, now)


def check_anyway(progress: Progress, _event: Elapsed, now: float) -> Next:
    """Time is up for going back: see how far it came."""
    return _check(progress, now)


def checked(progress: Progress, event: ReadBack, now: float) -> Next:
    """Judge a device by its checkpoint."""
    apart = deviations(progress.device(event.device).before, event.reported)
    return _judged(progress, {event.device: apart[0]} if apart else {}, event.device, now)


def cannot_check(progress: Progress, event: Failed, now: float) -> Next:
    """A device that cannot be read is stuck until it can."""
    return _judged(progress, {event.device: event.why}, event.device, now)


def give_up(progress: Progress, _event: Elapsed, _now: float) -> Next:
    """Time is up for checking: whoever has not answered needs a person."""
    stuck = {**progress.stuck, **dict.fromkeys(progress.waiting, "did not answer after the rollback")}
    return _end(replace(progress, stuck=stuck), S.NEEDS_PERSON), ()


def _judged(progress: Progress, stuck: Mapping[str, str], device: str, now: float) -> Next:
    progress = replace(_answered(progress, device, None), stuck={**progress.stuck, **stuck})
    if progress.waiting:
        return progress, ()
    if not progress.stuck:
        return _end(progress, S.ROLLED_BACK), ()
    if progress.attempt < progress.limits.attempts:
        again = frozenset(progress.stuck)
        return _take_back(replace(progress, stuck={}), now, again)
    return _end(progress, S.NEEDS_PERSON), ()


def _next_phase(progress: Progress, now: float) -> Next:
    """Commit the next phase of the schedule, or verify where none is left."""
    if progress.step >= len(progress.schedule):
        return _verify(progress, now)
    phase = progress.schedule[progress.step]
    who = frozenset(d.device for d in progress.plan.devices if phase in d.work)
    progress = replace(progress, touched=progress.touched | who)

    def commit(p: Progress, device: str) -> Effect:
        return Commit(device=device, turn=p.turn, phase=phase, expect=p.moments[device])

    return _enter(progress, S.COMMITTING, now, progress.limits.committing_s, who, commit)


def _verify(progress: Progress, now: float) -> Next:
    return _enter(progress, S.VERIFYING, now, progress.limits.verifying_s, progress.devices, _read)


def roll_back(progress: Progress, now: float, culprits: Mapping[str, str]) -> Next:
    """Take every device back that may have been touched; the others forget what they staged."""
    progress = replace(progress, culprits={**progress.culprits, **culprits})
    forgets = tuple(Forget(device=d) for d in sorted(progress.devices - progress.touched))
    if not progress.touched:
        return _end(progress, S.CANCELLED), forgets
    progress, effects = _take_back(progress, now, progress.touched)
    return progress, forgets + effects


def _take_back(progress: Progress, now: float, who: frozenset[str]) -> Next:
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


def _end(progress: Progress, state: ChangeState) -> Progress:
    return replace(progress, state=state, turn=progress.turn + 1, waiting=frozenset(), deadline=0.0)


def _answered(progress: Progress, device: str, moment: Moment | None) -> Progress:
    moments = progress.moments if moment is None else {**progress.moments, device: moment}
    return replace(progress, waiting=progress.waiting - {device}, moments=moments)


def _blame(progress: Progress, event: Failed | Elapsed | Cancel) -> dict[str, str]:
    if isinstance(event, Failed):
        return {event.device: event.why}
    if isinstance(event, Cancel):
        return {"": event.why}
    return dict.fromkeys(sorted(progress.waiting), f"did not answer in time while {progress.state}")


def _expected(progress: Progress, device: str) -> Target:
    """What a device should read back as by now: unmuted only after that phase, stored only once kept."""
    plan = progress.device(device)
    after = plan.after
    if progress.kept != progress.devices:
        after = replace(after, stored=())
    if Phase.UNMUTE in plan.work and progress.step < len(progress.schedule):
        outputs = {n: replace(s, mute=None) for n, s in after.live.outputs.items()}
        after = replace(after, live=replace(after.live, outputs=outputs))
    return after


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
    return WriteBack(device=device, turn=progress.turn)
