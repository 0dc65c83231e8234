"""Whether a device that is there by its presence answers: when it last told something, what it left unanswered. Pure.

What the broker retains is no answer: it is told again and again, however long ago the device said it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

from fleet.model.state import State

QUESTIONS: Final = 2
"""So many questions left unanswered, and what is known of a device is not shown as present any more."""
APART: Final = timedelta(seconds=10)
"""Questions that follow one another faster are one: a device may be busy for a moment."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answering:
    """One device: when it last told something new or answered, and the questions that it left unanswered since."""

    told: datetime
    since: datetime | None = None
    """When the first question was asked that it did not answer."""
    asked: datetime | None = None
    unanswered: int = 0

    @property
    def silent_since(self) -> datetime | None:
        """Since when it does not answer; `None` where it does, or where it is too early to tell."""
        return self.since if self.unanswered >= QUESTIONS else None


def left_unanswered(answering: Answering, now: datetime) -> Answering:
    """One question more that was not answered."""
    if answering.asked is not None and now - answering.asked < APART:
        return answering
    return replace(answering, since=answering.since or now, asked=now, unanswered=answering.unanswered + 1)


def silent_from(told: datetime, since: datetime) -> Answering:
    """A device of which it was concluded before that it does not answer."""
    return Answering(told=told, since=since, asked=since, unanswered=QUESTIONS)


def told_before(last: State | None, state: State) -> bool:
    """Whether a state is one that was told before: the very same moment of the device."""
    return last is not None and (last.moment, last.uptime_ms) == (state.moment, state.uptime_ms)
