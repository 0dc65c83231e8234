"""Hours on the venue's clock, over midnight and over the days on which clocks change."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.model.days import Hours
from fleet.model.venue_time import clock_time
from fleet.reconcile.hours import just_within, within

BERLIN = ZoneInfo("Europe/Berlin")
NIGHT = Hours(start=time(22), until=time(6))
LUNCH = Hours(start=time(12), until=time(13, 30), days=(0, 1, 2, 3, 4))


def local(text: str) -> datetime:
    """A moment on Berlin's clock, in UTC."""
    return datetime.fromisoformat(text).replace(tzinfo=BERLIN).astimezone(UTC)


@pytest.mark.parametrize(
    ("hours", "moment", "is_within"),
    [
        (NIGHT, "2031-05-17T21:59:59", False),
        (NIGHT, "2031-05-17T22:00", True),
        (NIGHT, "2031-05-18T05:59:59", True),
        (NIGHT, "2031-05-18T06:00", False),
        (LUNCH, "2031-05-16T12:00", True),  # a Friday
        (LUNCH, "2031-05-17T12:00", False),
        (Hours(start=time(22), until=time(6), days=(5,)), "2031-05-18T05:00", True),  # began on Saturday
        (Hours(start=time(22), until=time(6), days=(6,)), "2031-05-18T05:00", False),
        (Hours(start=time(8), until=time(8)), "2031-05-18T07:59", True),  # all day
        (Hours(start=time(2, 30), until=time(4)), "2031-03-30T01:59", False),  # 02:30 is left out: begins at 03:00
        (Hours(start=time(2, 30), until=time(4)), "2031-03-30T03:00", True),
        (NIGHT, "2031-10-26T05:30", True),  # the long night
        (NIGHT, "2031-10-26T06:00", False),
    ],
)
def test_hours_hold_from_their_start_up_to_their_end(hours: Hours, moment: str, is_within: bool) -> None:
    assert within([hours], BERLIN, local(moment)) is is_within


def test_no_hours_hold_never() -> None:
    assert not within([], BERLIN, local("2031-05-17T12:00"))


def test_hours_that_have_just_ended_still_hold_for_the_grace() -> None:
    ten = timedelta(minutes=10)
    assert just_within([NIGHT], BERLIN, local("2031-05-18T06:09"), ten)
    assert not just_within([NIGHT], BERLIN, local("2031-05-18T06:10"), ten)
    assert not just_within([NIGHT], BERLIN, local("2031-05-17T21:59"), ten), "they have not begun"
    short = Hours(start=time(12), until=time(12, 1))
    assert just_within([short], BERLIN, local("2031-05-17T12:10"), ten)


@given(st.times(), st.times(), st.integers(0, 500_000), st.integers(1, 1440))
def test_just_within_is_within_at_some_minute_of_the_grace(start: time, until: time, minute: int, minutes: int) -> None:
    hours = [Hours(start=start.replace(second=0, microsecond=0), until=until.replace(second=0, microsecond=0))]
    now = datetime(2031, 1, 1, tzinfo=UTC) + timedelta(minutes=minute)
    moments = [now - timedelta(minutes=m) for m in range(minutes)]
    expected = any(within(hours, BERLIN, moment) for moment in moments)
    assert just_within(hours, BERLIN, now, timedelta(minutes=minutes)) >= expected
    longer = [*moments, *(now - timedelta(minutes=minutes + m) for m in range(2))]
    assert just_within(hours, BERLIN, now, timedelta(minutes=minutes)) <= any(within(hours, BERLIN, m) for m in longer)


def test_a_moment_is_said_with_its_date_where_that_is_not_today() -> None:
    now = local("2031-05-18T00:30")
    assert clock_time(local("2031-05-18T00:10"), BERLIN, now) == "00:10"
    assert clock_time(local("2031-05-17T23:50"), BERLIN, now) == "2031-05-17 23:50"
