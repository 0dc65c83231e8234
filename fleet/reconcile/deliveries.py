"""The rules of delivering notices: who wants one, when it is due, what goes next, and how long to wait after a failure.

Quiet hours are hours on the venue's clock, also on the days on which that is put forward or back.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import Final

from fleet.model.days import Hours
from fleet.model.difference import Grade
from fleet.model.notice import Notice
from fleet.model.receiver import Delivery, ReceiverRules
from fleet.model.venue_time import moment_of, shift_of

FIRST_WAIT_S: Final = 1.0
LONGEST_WAIT_S: Final = 300.0
OLDEST: Final = timedelta(hours=24)
"""A notice that could not be delivered for so long is given up."""


def weight(notice: Notice) -> Grade:
    """How grave a notice is; one without a grade counts as audible."""
    return notice.grade if notice.grade is not None else Grade.AUDIBLE


def wants(rules: ReceiverRules, notice: Notice) -> bool:
    """Whether a receiver is to be told. A notice that is about no room goes to all rooms' receivers."""
    if rules.kinds and notice.kind not in rules.kinds:
        return False
    if rules.rooms and notice.room and notice.room not in rules.rooms:
        return False
    return weight(notice) >= rules.least


def held_until(rules: ReceiverRules, notice: Notice, now: datetime, zone: tzinfo) -> datetime | None:
    """Until when quiet hours hold a notice of now back; `None` where they do not."""
    if rules.quiet is None or (weight(notice) >= Grade.SERIOUS and not rules.quiet_all):
        return None
    return quiet_until(rules.quiet, now, zone)


def quiet_until(hours: Hours, now: datetime, zone: tzinfo) -> datetime | None:
    """When the quiet hours end that are now, in UTC; `None` outside of them.

    A time that a day has twice counts the first time for the start and the second time for the end; one that a clock
    put forward skips is the first moment after the gap.
    """
    today = now.astimezone(zone).date()
    for day in (today - timedelta(days=1), today):
        if day.weekday() not in hours.days:
            continue
        last = day + timedelta(days=1) if hours.until <= hours.start else day
        end = _last_moment(last, hours.until, zone)
        if moment_of(day, hours.start, zone) <= now < end:
            return end
    return None


def next_of(deliveries: Iterable[Delivery], now: datetime) -> tuple[Delivery, ...]:
    """What is to be told together next, of the deliveries to one receiver; nothing where none is due.

    The first in order that is due, alone; with it go those that the same quiet hours held back.
    """
    due = sorted((d for d in deliveries if d.due <= now), key=lambda d: d.number)
    if not due:
        return ()
    first = due[0]
    return tuple(d for d in due if d.held and d.due == first.due) if first.held else (first,)


def too_old(delivery: Delivery, now: datetime) -> bool:
    """Whether it is given up. The time that quiet hours took does not count."""
    return now - delivery.due > OLDEST


def wait_s(failures: int) -> float:
    """Seconds to wait after so many failures in a row: 1, 2, 4 and so on, at most five minutes."""
    return min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(failures - 1, 30))


def _last_moment(day: date, at: time, zone: tzinfo) -> datetime:
    """The moment of a time on a day, the second one where it is there twice."""
    if shift_of(day, at, zone) == "double":
        return datetime.combine(day, at, tzinfo=zone).replace(fold=1).astimezone(UTC)
    return moment_of(day, at, zone)
