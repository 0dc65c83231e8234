"""Turns of a change: it asks something of devices, and waits for their answers until its time is up."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import TypeAlias

from fleet.model.change import ChangeState
from fleet.model.state import Moment
from fleet.reconcile.progress import Cancel, Effect, Elapsed, Failed, Keep, Prepare, Progress, Read

Next: TypeAlias = tuple[Progress, tuple[Effect, ...]]


def enter(
    progress: Progress,
    state: ChangeState,
    now: float,
    limit_s: float,
    who: Iterable[str],
    effect: Callable[[Progress, str], Effect],
) -> Next:
    """Begin a turn in a state: ask `effect` of these devices, and wait for them `limit_s` at the longest."""
    waiting = frozenset(who)
    progress = replace(progress, state=state, turn=progress.turn + 1, deadline=now + limit_s, waiting=waiting)
    return progress, tuple(effect(progress, device) for device in sorted(waiting))


def end(progress: Progress, state: ChangeState) -> Progress:
    """The change at one of its ends."""
    return replace(progress, state=state, turn=progress.turn + 1, waiting=frozenset(), deadline=0.0)


def answered(progress: Progress, device: str, moment: Moment | None) -> Progress:
    """A device is waited for no longer. Where it told its moment, what comes next expects that."""
    moments = progress.moments if moment is None else {**progress.moments, device: moment}
    return replace(progress, waiting=progress.waiting - {device}, moments=moments)


def blame(progress: Progress, event: Failed | Elapsed | Cancel) -> dict[str, str]:
    """Who is to blame for what happened, and why in words; a person is nobody: the empty name."""
    if isinstance(event, Failed):
        return {event.culprit: event.why}
    if isinstance(event, Cancel):
        return {"": event.why}
    return dict.fromkeys(sorted(progress.waiting), f"did not answer in time while {progress.state}")


def prepare(progress: Progress, device: str) -> Effect:
    """Stage its work."""
    return Prepare(device=device, turn=progress.turn)


def read(progress: Progress, device: str) -> Effect:
    """Read it."""
    return Read(device=device, turn=progress.turn)


def patient_read(progress: Progress, device: str) -> Effect:
    """Read it, though it may be booting."""
    return Read(device=device, turn=progress.turn, patient=True)


def keep(progress: Progress, device: str) -> Effect:
    """Keep what it holds of the change."""
    return Keep(device=device, turn=progress.turn)
