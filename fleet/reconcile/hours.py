"""Hours on the venue's clock: whether a moment is within them."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from fleet.model.days import Hours
from fleet.model.venue_time import moment_of


def within(hours: Iterable[Hours], zone: ZoneInfo, now: datetime) -> bool:
    """Whether `now` (aware) is within any of these hours; their start belongs to them, their end does not.

    Hours that begin at a time which a change of the clock leaves out begin with the first moment after it.
    """
    local = now.astimezone(zone).date()
    for span in hours:
        for day in (local - timedelta(days=1), local):
            begin = moment_of(day, span.start, zone)
            if day.weekday() in span.days and begin <= now < _end(span, day, zone):
                return True
    return False


def just_within(hours: Iterable[Hours], zone: ZoneInfo, now: datetime, grace: timedelta) -> bool:
    """The same, or within them at some moment of the time `grace` before now."""
    spans = tuple(hours)
    if within(spans, zone, now) or within(spans, zone, now - grace):
        return True
    local = now.astimezone(zone).date()  # hours shorter than the grace
    ends = (_end(s, day, zone) for s in spans for day in (local - timedelta(days=1), local) if day.weekday() in s.days)
    return any(now - grace < end <= now for end in ends)


def _end(hours: Hours, day: date, zone: ZoneInfo) -> datetime:
    """When hours that start on a day end."""
    return moment_of(day if hours.until > hours.start else day + timedelta(days=1), hours.until, zone)
