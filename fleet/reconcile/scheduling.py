"""When a schedule says what, and what is due. A day that a zone leaves out altogether has no times."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo
from typing import Final

from fleet.model.days import Scheduled
from fleet.model.venue_time import moment_of

LATE: Final = timedelta(minutes=15)
"""An entry that was missed for longer is not caught up."""
WAIT_FOR_DEVICES: Final = timedelta(minutes=2)
"""How long an entry that is due waits for devices that are not up."""
CLOCK_WAS_WRONG: Final = timedelta(days=1)
"""A schedule that is dealt with up to later than this from now was so by a wrong clock."""
_DAY: Final = timedelta(days=1)
_WEEK: Final = timedelta(days=8)
"""No entry is further away than that, whatever the clock does."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """An entry of a schedule on a day, and the moment in UTC that it is for."""

    at: datetime
    day: date
    entry: Scheduled


@dataclass(frozen=True, slots=True, kw_only=True)
class Missed:
    """The latest entry that came due, and whether it is too late for it."""

    due: Due
    too_late: bool


def entries_between(schedule: Sequence[Scheduled], zone: tzinfo, after: datetime, until: datetime) -> Iterator[Due]:
    """What a schedule has after one moment and up to another, in order; of two at a moment, the later time is last."""
    found = []
    day, last = after.astimezone(zone).date() - _DAY, until.astimezone(zone).date() + _DAY
    while day <= last:
        of_day = [entry for entry in schedule if day.weekday() in entry.days]
        if of_day and moment_of(day, time(), zone) != moment_of(day + _DAY, time(), zone):
            found += [Due(at=moment_of(day, entry.at, zone), day=day, entry=entry) for entry in of_day]
        day += _DAY
    yield from sorted((d for d in found if after < d.at <= until), key=lambda d: (d.at, d.day, d.entry.at))


def next_after(schedule: Sequence[Scheduled], zone: tzinfo, after: datetime) -> datetime | None:
    """The next moment at which a schedule has something; `None` for one without entries."""
    for span in (_DAY, _WEEK):  # mostly it is within a day
        if (due := next(entries_between(schedule, zone, after, after + span), None)) is not None:
            return due.at
    return None


def missed(schedule: Sequence[Scheduled], zone: tzinfo, after: datetime, now: datetime) -> Missed | None:
    """What a schedule says now that it did not say at `after`: its latest entry; earlier ones are over.

    Only the last days are looked at: whatever is older is too late in any case.
    """
    due = [*entries_between(schedule, zone, max(after, now - _WEEK), now)][-1:]
    return Missed(due=due[0], too_late=now - due[0].at > LATE) if due else None


def clock_was_wrong(until: datetime, now: datetime) -> bool:
    """Whether a schedule counts as dealt with for so long that only a wrong clock can have led to it."""
    return until - now > CLOCK_WAS_WRONG
