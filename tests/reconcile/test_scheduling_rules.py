"""When schedules say what: against the transitions that the IANA time zone database publishes, and as properties."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.model.days import Scheduled
from fleet.model.venue_time import moment_of, shift_of
from fleet.reconcile.scheduling import (
    LATE,
    clock_was_wrong,
    entries_between,
    missed,
    next_after,
)

LONDON, NEW_YORK, LORD_HOWE, KOLKATA = map(
    ZoneInfo, ("Europe/London", "America/New_York", "Australia/Lord_Howe", "Asia/Kolkata")
)
DAY = timedelta(days=1)

# (zone, day, time on the clock, the moment in UTC, what the clock does there). Rules of the IANA time zone database,
# release 2024a. London, file `europe`, Rule EU: 01:00 UTC, last Sundays of March and October. New York, file
# `northamerica`, Rule US: 02:00 wall clock, second Sunday of March and first of November. Lord Howe, file
# `australasia`, Rule LH: 02:00 wall clock, first Sundays of October (+11:00 from +10:30) and April (back by 0:30).
TRANSITIONS = [
    (LONDON, date(2024, 3, 31), "00:59", "2024-03-31T00:59", None),
    (LONDON, date(2024, 3, 31), "01:00", "2024-03-31T01:00", "gap"),
    (LONDON, date(2024, 3, 31), "01:30", "2024-03-31T01:00", "gap"),
    (LONDON, date(2024, 3, 31), "01:59", "2024-03-31T01:00", "gap"),
    (LONDON, date(2024, 3, 31), "02:00", "2024-03-31T01:00", None),
    (LONDON, date(2024, 10, 27), "00:59", "2024-10-26T23:59", None),
    (LONDON, date(2024, 10, 27), "01:00", "2024-10-27T00:00", "double"),
    (LONDON, date(2024, 10, 27), "01:30", "2024-10-27T00:30", "double"),
    (LONDON, date(2024, 10, 27), "02:00", "2024-10-27T02:00", None),
    (NEW_YORK, date(2024, 3, 10), "01:59", "2024-03-10T06:59", None),
    (NEW_YORK, date(2024, 3, 10), "02:00", "2024-03-10T07:00", "gap"),
    (NEW_YORK, date(2024, 3, 10), "02:30", "2024-03-10T07:00", "gap"),
    (NEW_YORK, date(2024, 3, 10), "03:00", "2024-03-10T07:00", None),
    (NEW_YORK, date(2024, 11, 3), "01:00", "2024-11-03T05:00", "double"),
    (NEW_YORK, date(2024, 11, 3), "01:59", "2024-11-03T05:59", "double"),
    (NEW_YORK, date(2024, 11, 3), "02:00", "2024-11-03T07:00", None),
    (LORD_HOWE, date(2024, 10, 6), "01:59", "2024-10-05T15:29", None),
    (LORD_HOWE, date(2024, 10, 6), "02:00", "2024-10-05T15:30", "gap"),
    (LORD_HOWE, date(2024, 10, 6), "02:15", "2024-10-05T15:30", "gap"),
    (LORD_HOWE, date(2024, 10, 6), "02:30", "2024-10-05T15:30", None),
    (LORD_HOWE, date(2024, 4, 7), "01:29", "2024-04-06T14:29", None),
    (LORD_HOWE, date(2024, 4, 7), "01:30", "2024-04-06T14:30", "double"),
    (LORD_HOWE, date(2024, 4, 7), "01:59", "2024-04-06T14:59", "double"),
    (LORD_HOWE, date(2024, 4, 7), "02:00", "2024-04-06T15:30", None),
    (KOLKATA, date(2024, 3, 31), "02:30", "2024-03-30T21:00", None),
    (KOLKATA, date(2024, 10, 27), "01:30", "2024-10-26T20:00", None),
    # America/Scoresbysund moved from UTC-1 to UTC-2 and to summer time at once, file `europe`: no change on the clock.
    (ZoneInfo("America/Scoresbysund"), date(2024, 3, 31), "00:30", "2024-03-31T01:30", None),
    # America/Sao_Paulo put its clock forward at midnight, file `southamerica`, Rule Brazil: first Sunday of November.
    (ZoneInfo("America/Sao_Paulo"), date(2018, 11, 4), "00:00", "2018-11-04T03:00", "gap"),
    (ZoneInfo("America/Sao_Paulo"), date(2018, 11, 4), "00:30", "2018-11-04T03:00", "gap"),
]
ZONES = st.sampled_from([LONDON, NEW_YORK, LORD_HOWE, KOLKATA, ZoneInfo("America/Sao_Paulo"), ZoneInfo("Pacific/Apia")])
MOMENTS = st.integers(0, 2 * 365 * 24 * 3600).map(lambda s: datetime(2024, 1, 1, tzinfo=UTC) + timedelta(seconds=s))
TIMES = st.times().map(lambda at: at.replace(second=0, microsecond=0))


def entry(at: str, mode: str = "day", days: tuple[int, ...] = tuple(range(7))) -> Scheduled:
    return Scheduled(at=time.fromisoformat(at), mode=mode, days=days)


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


@pytest.mark.parametrize(("zone", "day", "at", "expected", "shift"), TRANSITIONS)
def test_a_time_on_the_clock_is_the_moment_that_the_zone_makes_it(zone, day, at, expected, shift) -> None:
    assert moment_of(day, time.fromisoformat(at), zone) == utc(expected)
    assert shift_of(day, time.fromisoformat(at), zone) == shift


def test_of_two_entries_that_a_gap_brings_to_one_moment_the_later_one_holds() -> None:
    schedule = (entry("01:45", "late"), entry("01:15", "early"))
    due = list(entries_between(schedule, LONDON, utc("2024-03-31T00:00"), utc("2024-03-31T02:00")))
    assert [one.entry.mode for one in due] == ["early", "late"]
    assert {one.at for one in due} == {utc("2024-03-31T01:00")}
    found = missed(schedule, LONDON, utc("2024-03-31T00:00"), utc("2024-03-31T01:00"))
    assert found is not None
    assert found.due.entry.mode == "late"


def test_a_day_that_a_zone_leaves_out_has_no_entries() -> None:
    """Samoa went over the date line on 2011-12-30 (IANA database, file `australasia`, zone Pacific/Apia)."""
    apia = ZoneInfo("Pacific/Apia")
    due = list(entries_between((entry("07:30"),), apia, utc("2011-12-28T12:00"), utc("2012-01-01T12:00")))
    assert [one.day for one in due] == [date(2011, 12, 28), date(2011, 12, 29), date(2011, 12, 31), date(2012, 1, 1)]


def test_days_of_the_week_are_those_of_the_venue() -> None:
    """Monday 07:30 on Lord Howe is Sunday in UTC."""
    due = list(
        entries_between((entry("07:30", days=(0,)),), LORD_HOWE, utc("2024-06-01T00:00"), utc("2024-06-15T00:00"))
    )
    assert [one.at for one in due] == [utc("2024-06-02T21:00"), utc("2024-06-09T21:00")]


def test_only_the_latest_missed_entry_is_left_and_late_ones_are_too_late() -> None:
    schedule = (entry("07:00", "day"), entry("19:00", "night"))
    since = utc("2024-06-10T00:00")
    at = utc("2024-06-12T18:00")  # 19:00 in London
    found = missed(schedule, LONDON, since, at + LATE)
    assert found is not None
    assert (found.due.at, found.due.entry.mode, found.too_late) == (at, "night", False)
    found = missed(schedule, LONDON, since, at + LATE + timedelta(seconds=1))
    assert found is not None
    assert found.too_late
    assert missed(schedule, LONDON, at, at + timedelta(hours=1)) is None
    assert missed((), LONDON, since, at) is None


def test_years_without_a_daemon_are_passed_over_quickly() -> None:
    found = missed((entry("07:30", days=(2,)),), LONDON, utc("1980-01-01T00:00"), utc("2024-06-11T00:00"))
    assert found is not None
    assert found.due.day == date(2024, 6, 5)
    assert found.too_late


def test_a_mark_of_a_wrong_clock_does_not_count() -> None:
    now = utc("2024-06-11T00:00")
    assert clock_was_wrong(utc("2031-01-01T00:00"), now)
    assert not clock_was_wrong(now + timedelta(hours=2), now)


def test_the_next_moment_is_found_a_week_ahead() -> None:
    sunday = (entry("01:30", days=(6,)),)
    assert next_after(sunday, LONDON, utc("2024-03-24T01:30")) == utc("2024-03-31T01:00")
    assert next_after((), LONDON, utc("2024-03-24T01:30")) is None


@settings(max_examples=25, deadline=None)
@given(zone=ZONES, at=TIMES, tick_s=st.integers(5_000, 90_000), year=st.sampled_from([2011, 2018, 2024, 2025]))
def test_each_entry_runs_once_on_each_day_whatever_the_ticks(zone: ZoneInfo, at: time, tick_s: int, year: int) -> None:
    """Each day of the year has its entry once, and none before its time. Shorter ticks are the next test's."""
    schedule = (Scheduled(at=at, mode="day"),)
    last = moment_of(date(year, 1, 1), time(), zone) - timedelta(seconds=1)
    end = moment_of(date(year + 1, 1, 1), time(), zone) - timedelta(seconds=1)
    ran: Counter[date] = Counter()
    while last < end:
        now = min(last + timedelta(seconds=tick_s), end)
        for due in entries_between(schedule, zone, last, now):
            assert last < due.at <= now
            ran[due.day] += 1
        last = now
    days = {date(year, 1, 1) + DAY * n for n in range((date(year + 1, 1, 1) - date(year, 1, 1)).days)}
    left_out = {date(2011, 12, 30)} if zone.key == "Pacific/Apia" else set()
    assert set(ran) == days - left_out
    assert set(ran.values()) == {1}


@settings(max_examples=60, deadline=None)
@given(
    zone=ZONES,
    at=TIMES,
    start=MOMENTS,
    spacing_s=st.lists(st.integers(1, 5_000), min_size=20, max_size=60),
)
def test_uneven_ticks_that_follow_the_next_moment_miss_nothing(
    zone: ZoneInfo, at: time, start: datetime, spacing_s: list[int]
) -> None:
    """What a service does: it looks again only once `next_after` has come, and finds what a single look finds."""
    schedule = (Scheduled(at=at, mode="day"), Scheduled(at=time((at.hour + 7) % 24, at.minute), mode="night"))
    first = now = start
    upcoming, done, ran = next_after(schedule, zone, now), now, []
    for spacing in spacing_s:
        now += timedelta(seconds=spacing)
        if upcoming is not None and now >= upcoming:
            found = missed(schedule, zone, done, now)
            assert found is not None
            ran.append(found.due)
            done = found.due.at
            upcoming = next_after(schedule, zone, done)
    every = list(entries_between(schedule, zone, first, now))
    assert ran == [e for e in every if e in ran]
    assert not every or ran[-1] == every[-1]
    assert all(b.at - a.at < timedelta(seconds=5_000) for a, b in pairwise(every) if a not in ran)
