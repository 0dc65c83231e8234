"""Times as people type them: read on the venue's clock, and refused in words where that shows them never or twice."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.errors import BadInput
from fleet.model.typed_times import next_moment, typed_moment
from fleet.model.venue_time import clock_time, date_time, moments_of, on_the_clock

BERLIN, KATHMANDU, LORD_HOWE = ZoneInfo("Europe/Berlin"), ZoneInfo("Asia/Kathmandu"), ZoneInfo("Australia/Lord_Howe")
# IANA time zone database: Lord Howe's clock moves by half an hour, Kathmandu is 5:45 ahead, Apia left 2011-12-30 out.
ZONES = st.sampled_from(
    [BERLIN, KATHMANDU, LORD_HOWE, *map(ZoneInfo, ("America/New_York", "Pacific/Apia", "America/St_Johns"))]
)
MOMENTS = st.integers(0, 40 * 365 * 24 * 60).map(lambda m: datetime(2005, 1, 1, tzinfo=UTC) + timedelta(minutes=m))
TIMES = st.times().map(lambda at: at.replace(second=0, microsecond=0))


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def typed(text: str, zone: ZoneInfo = BERLIN) -> datetime:
    return typed_moment(text, zone, "--until", "Write 23:30.")


@given(ZONES, MOMENTS)
def test_what_the_clock_shows_is_what_was_typed(zone: ZoneInfo, moment: datetime) -> None:
    local = moment.astimezone(zone)
    assert typed(local.isoformat(), zone) == moment, "with its offset a time is always clear"
    shown = local.replace(tzinfo=None)
    assert moment in moments_of(shown, zone)
    if len(moments_of(shown, zone)) == 1:
        assert typed(shown.isoformat(), zone) == moment
        assert date_time(moment, zone) == f"{shown:%Y-%m-%d %H:%M}"
    else:
        assert date_time(moment, zone) == on_the_clock(moment, zone), "the zone says which of the two it is"
        with pytest.raises(BadInput, match="twice"):
            typed(shown.isoformat(), zone)


@given(ZONES, MOMENTS, TIMES)
def test_the_next_time_of_day_is_the_first_that_the_clock_shows(zone: ZoneInfo, now: datetime, at: time) -> None:
    try:
        found = next_moment(at, zone, now, "--until")
    except BadInput:
        return
    today = now.astimezone(zone).date()
    shown = [
        m for day in (0, 1) for m in moments_of(datetime.combine(today + timedelta(days=day), at), zone) if m > now
    ]
    assert found == shown[0]


REFUSED = [
    (
        "2031-03-30T02:30",
        BERLIN,
        "2031-03-30 02:30 is left out by the venue's clock (Europe/Berlin), which is put forward to 2031-03-30 03:00. "
        "Write 2031-03-30T03:00, or a time before the gap.",
    ),
    (
        "2031-10-26T02:30",
        BERLIN,
        "the venue's clock (Europe/Berlin) shows 2031-10-26 02:30 twice, since it is put back. "
        "Write 2031-10-26T02:30+02:00 for the first, 2031-10-26T02:30+01:00 for the second.",
    ),
    (
        "2031-04-06T01:45",
        LORD_HOWE,
        "the venue's clock (Australia/Lord_Howe) shows 2031-04-06 01:45 twice, since it is put back. "
        "Write 2031-04-06T01:45+11:00 for the first, 2031-04-06T01:45+10:30 for the second.",
    ),
    ("soon", BERLIN, "'soon' is no time. Write 23:30."),
    ("0001-01-01T00:00", KATHMANDU, "'0001-01-01T00:00' is no time. Write 23:30."),
]


@pytest.mark.parametrize(("text", "zone", "words"), REFUSED)
def test_what_is_no_moment_of_the_clock_is_refused_with_what_to_write(text: str, zone: ZoneInfo, words: str) -> None:
    with pytest.raises(BadInput) as refused:
        typed(text, zone)
    assert str(refused.value) == f"--until: {words}"


def test_of_an_hour_that_is_there_twice_the_second_is_the_next_once_the_first_is_past() -> None:
    first = utc("2031-10-26T00:30")
    with pytest.raises(BadInput, match="twice"):
        next_moment(time(2, 30), BERLIN, first - timedelta(hours=1), "--until")
    assert next_moment(time(2, 30), BERLIN, first, "--until") == first + timedelta(hours=1)
    assert next_moment(time(2, 30), BERLIN, first + timedelta(hours=1), "--until") == utc("2031-10-27T01:30")


def test_once_the_gap_is_past_the_time_is_that_of_tomorrow() -> None:
    with pytest.raises(BadInput, match="left out"):
        next_moment(time(2, 30), BERLIN, utc("2031-03-30T00:30"), "--until")
    assert next_moment(time(2, 30), BERLIN, utc("2031-03-30T01:00"), "--until") == utc("2031-03-31T00:30")


def test_a_time_of_day_has_its_date_where_it_is_another_day_and_its_zone_where_it_is_there_twice() -> None:
    now = utc("2031-10-26T12:00")
    assert clock_time(utc("2031-10-26T11:59"), BERLIN, now) == "12:59"
    assert clock_time(utc("2031-10-26T00:30"), BERLIN, now) == "02:30 CEST"
    assert clock_time(utc("2031-10-25T20:00"), BERLIN, now, "seconds") == "2031-10-25 22:00:00"
    assert on_the_clock(utc("2031-10-25T20:00"), "Asia/Kathmandu") == "2031-10-26 01:45 +0545"
