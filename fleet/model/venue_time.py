"""Times of a venue: moments as its clocks show them, and times on its clocks as moments.

A time that a clock put forward skips is the first moment after the gap. A time that a clock put back has twice is the
first of the two.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import Literal
from zoneinfo import ZoneInfo

Shift = Literal["gap", "double"]


def on_the_clock(moment: datetime, time_zone: str) -> str:
    """A moment as the venue's clock shows it: `2031-05-17 23:30 CEST`."""
    return moment.astimezone(ZoneInfo(time_zone)).strftime("%Y-%m-%d %H:%M %Z")


def clock_time(at: datetime, zone: ZoneInfo, now: datetime) -> str:
    """A moment as people of the venue say it: `17:42`, with the date where that is not today."""
    local, today = at.astimezone(zone), now.astimezone(zone).date()
    return f"{local:%H:%M}" if local.date() == today else f"{local:%Y-%m-%d %H:%M}"


def day_of(moment: datetime, time_zone: str) -> date:
    """The venue's day at a moment."""
    return moment.astimezone(ZoneInfo(time_zone)).date()


def moment_of(day: date, at: time, zone: tzinfo) -> datetime:
    """The moment in UTC of a time on a day."""
    local = datetime.combine(day, at)
    first = local.replace(tzinfo=zone).astimezone(UTC)
    if first.astimezone(zone).replace(tzinfo=None) == local:
        return first
    before = local.replace(tzinfo=zone, fold=1).astimezone(UTC)  # by the clock after the gap: before the gap
    return _turn(before, first, zone)


def shift_of(day: date, at: time, zone: tzinfo) -> Shift | None:
    """Whether a time on a day is in a gap of the clock, or is there twice."""
    local = datetime.combine(day, at)
    first, second = (local.replace(tzinfo=zone, fold=fold).utcoffset() for fold in (0, 1))
    assert first is not None
    assert second is not None
    return None if first == second else "gap" if second > first else "double"


def end_of_day(day: date, zone: tzinfo) -> datetime:
    """The first moment that does not belong to a day of the venue any more, in UTC."""
    return moment_of(day + timedelta(days=1), time.min, zone)


def _turn(before: datetime, after: datetime, zone: tzinfo) -> datetime:
    """The first moment, to the second, at which a zone's clock is as at `after`; one change lies between the two."""
    then = after.astimezone(zone).utcoffset()
    while after - before > timedelta(seconds=1):
        middle = before + timedelta(seconds=(after - before) // timedelta(seconds=2))
        if middle.astimezone(zone).utcoffset() == then:
            after = middle
        else:
            before = middle
    return after
