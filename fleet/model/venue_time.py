"""Times of a venue: moments as its clocks show them, and times on its clocks as moments.

A time that a clock put forward skips is the first moment after the gap. A time that a clock put back has twice is the
first of the two.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import Literal
from zoneinfo import ZoneInfo

Shift = Literal["gap", "double"]
Timespec = Literal["minutes", "seconds", "milliseconds"]


def on_the_clock(moment: datetime, zone: str | tzinfo, timespec: Timespec = "minutes") -> str:
    """A moment as the venue's clock shows it, for whoever may be elsewhere: `2031-05-17 23:30 CEST`."""
    local = moment.astimezone(ZoneInfo(zone) if isinstance(zone, str) else zone)
    return f"{local.date()} {local.time().isoformat(timespec)} {local:%Z}"


def date_time(moment: datetime, zone: tzinfo, timespec: Timespec = "minutes") -> str:
    """A moment where the zone is said already: `2031-05-17 23:30`, with it in an hour that the clock has twice."""
    local = moment.astimezone(zone)
    return f"{local.date()} {local.time().isoformat(timespec)}{_which(local, zone)}"


def clock_time(at: datetime, zone: tzinfo, now: datetime, timespec: Timespec = "minutes") -> str:
    """A moment as people of the venue say it: `17:42`, with the date where that is not today."""
    local = at.astimezone(zone)
    if local.date() != now.astimezone(zone).date():
        return date_time(at, zone, timespec)
    return f"{local.time().isoformat(timespec)}{_which(local, zone)}"


def day_of(moment: datetime, time_zone: str) -> date:
    """The venue's day at a moment."""
    return moment.astimezone(ZoneInfo(time_zone)).date()


def moments_of(local: datetime, zone: tzinfo) -> tuple[datetime, ...]:
    """The moments in UTC at which a clock shows a time: none where it skips it, two where it has it twice."""
    both = {local.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1)}
    return tuple(sorted(moment for moment in both if moment.astimezone(zone).replace(tzinfo=None) == local))


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


def _which(local: datetime, zone: tzinfo) -> str:
    """Which of the two it is, where a clock shows a time twice; nothing anywhere else."""
    return f" {local:%Z}" if len(moments_of(local.replace(tzinfo=None), zone)) > 1 else ""


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
