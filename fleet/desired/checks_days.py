"""Checks of what rooms do by the clock."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from functools import lru_cache
from typing import Final
from zoneinfo import ZoneInfo

from fleet.desired.finding import Check, Design, Remark
from fleet.desired.wording import quoted
from fleet.model.venue_time import moment_of, shift_of

AHEAD: Final = timedelta(days=365)
_DAY: Final = timedelta(days=1)


def schedule_clock_change(design: Design) -> Iterator[Remark]:
    """Entries of schedules at times that a change of the clock leaves out, or has twice, within 12 months."""
    if design.today is None:
        return
    zone = ZoneInfo(design.version.venue.time_zone)
    for room in design.rooms():
        for entry in room.schedule:
            for day in _days_of_change(zone, design.today):
                if day.weekday() not in entry.days or (shift := shift_of(day, entry.at, zone)) is None:
                    continue
                at = f"{entry.at:%H:%M}"
                if shift == "gap":
                    then = moment_of(day, entry.at, zone).astimezone(zone)
                    told = f"{then:%H:%M}" if then.date() == day else f"{then:%H:%M} of the next day"
                    text = f"on {day} there is no {at}, since the clock is put forward: "
                    text += f"{quoted(entry.mode)} is recalled at {told} then"
                else:
                    text = f"on {day} there is {at} twice, since the clock is put back: "
                    text += f"{quoted(entry.mode)} is recalled at the first of them, once"
                yield Remark("note", room, "schedule", text)


@lru_cache(maxsize=16)
def _days_of_change(zone: ZoneInfo, today: date) -> tuple[date, ...]:
    """Days of the next 12 months on which the clock may change, and the days beside them."""
    days = [today + _DAY * number for number in range(AHEAD.days)]
    offsets = [datetime.combine(day, time(), zone).utcoffset() for day in (*days, days[-1] + _DAY)]
    changes = {number for number in range(len(days)) if offsets[number] != offsets[number + 1]}
    return tuple(day for number, day in enumerate(days) if changes & {number - 1, number, number + 1})


CHECKS: Final = (
    Check(
        name="schedule-clock-change",
        look=schedule_clock_change,
        severities=("note",),
        seeks="An entry of a schedule at a time that a change of the clock leaves out or has twice, within 12 months.",
        explains="Where the clock is put forward by 1 hour, the times of that hour are not there: what was to happen "
        "then happens at the first moment after it. Where it is put back by 1 hour, they are there twice: it happens "
        "at the first of the two, and once. An entry at another time of the day is not touched by it.",
        source="IANA time zone database, for the venue's time zone",
    ),
)
