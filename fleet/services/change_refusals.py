"""Why a change is not begun, in words for people."""

from __future__ import annotations

from collections.abc import Collection

from fleet.errors import BadInput, Moved, Refused
from fleet.model.change import ChangeRecord, ChangeState, check_trial_length
from fleet.model.plan import GuardHit, PlanKind


def refusal(hits: Collection[GuardHit]) -> Refused:
    """A refusal that names every guard that stands, and how to lift them where all of them may be lifted."""
    names = tuple(dict.fromkeys(h.guard for h in hits))
    lift = " ".join(f"--allow {name}" for name in names) if all(h.may_allow for h in hits) else ""
    words = "; ".join(f"{h.guard}: {h.words}" for h in hits)
    return Refused(words, guards=names, remedy=f"If that is meant: {lift}." if lift else _way_out(hits))


def moved_since_shown() -> Moved:
    """The refusal of a change whose plan would be another one by now."""
    return Moved("desired or reported state moved since the plan was shown", remedy="Look at the new plan.")


def held(record: ChangeRecord, devices: Collection[str]) -> Refused:
    """The refusal where a change that has not ended holds some of the devices."""
    return Refused(
        f"change {record.id} of {record.who} ({record.plan.scope}, {record.state}) holds {', '.join(sorted(devices))}",
        remedy=_until_free(record),
    )


def _way_out(hits: Collection[GuardHit]) -> str:
    """What ends a hold; the other guards that nobody lifts say all that there is to say."""
    rooms = sorted({h.room for h in hits if h.guard == "hold" and h.room})
    return f"Wait, or release it: {', '.join(f'`fleet release {room}`' for room in rooms)}." if rooms else ""


def _until_free(record: ChangeRecord) -> str:
    if record.state is not ChangeState.ON_TRIAL:
        return "Wait until it has ended."
    if record.plan.kind == "walk":
        return f"End the walk first; `fleet cancel {record.id}` does it from anywhere."
    return f"Keep or cancel {record.id} first."


def check_trial(kind: PlanKind, keep_within_s: float) -> None:
    """Raise `BadInput` where a change of this kind cannot be on trial, or not for so long."""
    if kind == "store":
        raise BadInput("a store cannot be on trial: it changes nothing that sounds", where="--keep-within")
    if kind in ("mute", "unmute"):
        raise BadInput("a mute cannot be on trial: `fleet unmute` takes it back", where="--keep-within")
    check_trial_length(keep_within_s)
