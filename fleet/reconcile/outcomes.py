"""How a change stands, told for each of its devices."""

from __future__ import annotations

from fleet.model.change import ChangeState, Outcome
from fleet.reconcile.progress import Progress


def outcomes(progress: Progress) -> tuple[Outcome, ...]:
    """How the change stands for each device."""
    state = progress.state
    result = []
    for device in sorted(progress.devices):
        if device in progress.stuck:
            word, words = "needs a person", progress.stuck[device]
        elif state in {ChangeState.ROLLED_BACK, ChangeState.NEEDS_PERSON}:
            word, words = ("rolled back" if device in progress.touched else "untouched"), ""
        elif state == ChangeState.CANCELLED:
            word, words = "untouched", ""
        else:
            word, words = state.value, ""
        result.append(Outcome(device=device, word=word, words=progress.culprits.get(device, words)))
    return tuple(result)
