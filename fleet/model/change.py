"""A change: one attempt to remove differences: who, why, what, and how it ended for each device."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from fleet.errors import BadInput
from fleet.model.names import Id
from fleet.model.plan import Plan


class ChangeState(StrEnum):
    """Where a change stands. The last four are ends."""

    PLANNED = "planned"
    STAGING = "staging"
    COMMITTING = "committing"
    VERIFYING = "verifying"
    ON_TRIAL = "on trial"
    KEEPING = "keeping"
    ROLLING_BACK = "rolling back"
    CHECKING = "checking"
    RECOVERING = "recovering"
    KEPT = "kept"
    ROLLED_BACK = "rolled back"
    CANCELLED = "cancelled"
    NEEDS_PERSON = "needs a person"

    @property
    def ended(self) -> bool:
        """True where nothing more will happen by itself."""
        return self in ENDS


ENDS: frozenset[ChangeState] = frozenset(
    {ChangeState.KEPT, ChangeState.ROLLED_BACK, ChangeState.CANCELLED, ChangeState.NEEDS_PERSON}
)


SHORTEST_TRIAL_S, LONGEST_TRIAL_S = 10.0, 4 * 3600.0


def check_trial_length(seconds: float) -> None:
    """Raise `BadInput` for a trial that nobody could listen to, or that would hold its devices for too long."""
    if not SHORTEST_TRIAL_S <= seconds <= LONGEST_TRIAL_S:
        raise BadInput(
            f"a trial of {seconds:g} s is too short or too long", where="--keep-within", remedy="Give from 10s to 4h"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """How a change stands for one device, in a word of the journal and a sentence for a person."""

    device: Id
    word: str
    words: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalEntry:
    """One step of a change as it was made durable. `device` is empty for the change as a whole."""

    change: Id
    number: int
    at: datetime
    what: str
    device: str = ""
    detail: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeRecord:
    """A change as the journal keeps it. `culprits` names the devices that made it fail, with the reason.

    The culprit is nobody (an empty name) where a person or the daemon stopped it. A change with `keep_within_s` goes
    on trial once it is verified; `trial_until` is then when it returns by itself unless a person keeps it.
    """

    id: Id
    plan: Plan
    who: str
    why: str
    started: datetime
    keep_within_s: float | None = None
    state: ChangeState = ChangeState.PLANNED
    trial_until: datetime | None = None
    ended: datetime | None = None
    outcomes: tuple[Outcome, ...] = ()
    culprits: Mapping[str, str] = field(default_factory=dict)
