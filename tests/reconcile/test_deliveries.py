"""The rules of delivering notices: who wants one, quiet hours on any clock, the order, and waits after failures."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from fleet.model.days import Hours
from fleet.model.difference import Grade
from fleet.model.notice import Notice
from fleet.model.receiver import Delivery, ReceiverRules
from fleet.reconcile.deliveries import (
    LONGEST_WAIT_S,
    held_until,
    next_of,
    quiet_until,
    too_old,
    wait_s,
    wants,
)

BERLIN, UTC_ZONE = ZoneInfo("Europe/Berlin"), ZoneInfo("UTC")
NIGHT = Hours(start=time(23), until=time(7))
AT = datetime(2031, 5, 17, 12, 0, tzinfo=UTC)

ZONES = st.sampled_from(
    [ZoneInfo(n) for n in ("UTC", "Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu")]
)
CLOCKS = st.times(max_value=time(23, 59)).map(lambda t: t.replace(second=0, microsecond=0))
MOMENTS = st.datetimes(datetime(2026, 1, 1), datetime(2032, 1, 1)).map(lambda t: t.replace(tzinfo=UTC))  # noqa: DTZ001


def notice(number: int = 1, *, grade: Grade | None = None, room: str = "", **other: object) -> Notice:
    return Notice(id=f"n-{number:04d}", at=AT, kind="drift", words=f"number {number}", room=room, grade=grade, **other)  # type: ignore[arg-type]


def delivery(number: int, due: datetime = AT, *, held: bool = False) -> Delivery:
    return Delivery(receiver="r", notice=notice(number), number=number, due=due, held=held)


def local(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=BERLIN).astimezone(UTC)


def test_everybody_wants_everything_unless_told_otherwise() -> None:
    assert wants(ReceiverRules(name="r"), notice(grade=Grade.SLIGHT))


@pytest.mark.parametrize(
    ("rules", "wanted"),
    [
        (ReceiverRules(name="r", kinds=frozenset({"drift"})), True),
        (ReceiverRules(name="r", kinds=frozenset({"missing"})), False),
        (ReceiverRules(name="r", rooms=frozenset({"hall"})), True),
        (ReceiverRules(name="r", rooms=frozenset({"foyer"})), False),
        (ReceiverRules(name="r", least=Grade.AUDIBLE), True),
        (ReceiverRules(name="r", least=Grade.SERIOUS), False),
    ],
)
def test_kinds_rooms_and_grades_are_picked(rules: ReceiverRules, wanted: bool) -> None:
    assert wants(rules, notice(grade=Grade.AUDIBLE, room="hall")) is wanted


def test_a_notice_of_no_room_goes_to_all_and_one_without_a_grade_counts_as_audible() -> None:
    assert wants(ReceiverRules(name="r", rooms=frozenset({"foyer"})), notice())
    assert wants(ReceiverRules(name="r", least=Grade.AUDIBLE), notice())
    assert not wants(ReceiverRules(name="r", least=Grade.SERIOUS), notice())


def test_what_is_serious_breaks_quiet_hours_unless_they_are_for_all() -> None:
    at = local("2031-05-17T23:30")
    quiet = ReceiverRules(name="r", quiet=NIGHT)
    assert held_until(quiet, notice(grade=Grade.AUDIBLE), at, BERLIN) == local("2031-05-18T07:00")
    assert held_until(quiet, notice(grade=Grade.SERIOUS), at, BERLIN) is None
    for_all = ReceiverRules(name="r", quiet=NIGHT, quiet_all=True)
    assert held_until(for_all, notice(grade=Grade.SERIOUS), at, BERLIN) == local("2031-05-18T07:00")
    assert held_until(ReceiverRules(name="r"), notice(), at, BERLIN) is None


@pytest.mark.parametrize(
    ("now", "end"),
    [
        ("2031-05-17T22:59", None),
        ("2031-05-17T23:00", "2031-05-18T07:00"),
        ("2031-05-18T06:59", "2031-05-18T07:00"),
        ("2031-05-18T07:00", None),
    ],
)
def test_a_night_goes_over_midnight(now: str, end: str | None) -> None:
    assert quiet_until(NIGHT, local(now), BERLIN) == (local(end) if end else None)


def test_a_night_is_shorter_when_the_clock_is_put_forward_and_longer_when_it_is_put_back() -> None:
    spring = quiet_until(NIGHT, local("2031-03-29T23:00"), BERLIN)
    autumn = quiet_until(NIGHT, local("2031-10-25T23:00"), BERLIN)
    assert spring is not None
    assert autumn is not None
    assert spring - local("2031-03-29T23:00") == timedelta(hours=7)
    assert autumn - local("2031-10-25T23:00") == timedelta(hours=9)


def test_an_end_that_the_clock_skips_is_the_first_moment_after_the_gap() -> None:
    hours = Hours(start=time(1), until=time(2, 30))
    assert quiet_until(hours, local("2031-03-30T01:59"), BERLIN) == datetime(2031, 3, 30, 1, 0, tzinfo=UTC)


def test_an_end_that_is_there_twice_is_the_second_one() -> None:
    hours = Hours(start=time(1), until=time(2, 30))
    between = datetime(2031, 10, 26, 0, 45, tzinfo=UTC)  # 02:45 in summer time; 02:30 comes once more
    assert quiet_until(hours, between, BERLIN) == datetime(2031, 10, 26, 1, 30, tzinfo=UTC)


@given(start=CLOCKS, until=CLOCKS, zone=ZONES, now=MOMENTS)
def test_what_the_clock_shows_decides_on_every_day(start: time, until: time, zone: ZoneInfo, now: datetime) -> None:
    assume(start != until)
    end = quiet_until(Hours(start=start, until=until), now, zone)
    shown = now.astimezone(zone).time()
    within = start <= shown < until if start < until else shown >= start or shown < until
    if within:
        assert end is not None
    if end is not None:
        assert now < end <= now + timedelta(hours=25)
        assert quiet_until(Hours(start=start, until=until), end, zone) is None, "it ends when it says so"


@given(start=CLOCKS, until=CLOCKS, zone=ZONES, now=MOMENTS)
def test_the_end_stays_the_same_until_it_comes(start: time, until: time, zone: ZoneInfo, now: datetime) -> None:
    assume(start != until)
    hours = Hours(start=start, until=until)
    end = quiet_until(hours, now, zone)
    assume(end is not None)
    assert end is not None
    assert quiet_until(hours, now + (end - now) / 2, zone) == end


def test_hours_of_some_days_are_quiet_on_these_only() -> None:
    friday = Hours(start=time(23), until=time(7), days=(4,))
    assert quiet_until(friday, local("2031-05-17T02:00"), BERLIN) is not None, "the night that began on Friday"
    assert quiet_until(friday, local("2031-05-17T23:30"), BERLIN) is None


def test_one_goes_at_a_time_in_order_and_nothing_before_it_is_due() -> None:
    later = AT + timedelta(hours=1)
    waiting = [delivery(3), delivery(1, later), delivery(2)]
    assert next_of(waiting, AT) == (waiting[2],)
    assert next_of([delivery(1, later)], AT) == ()
    assert next_of([], AT) == ()


def test_what_a_night_held_back_goes_together_before_what_came_after_it() -> None:
    night, morning = AT - timedelta(hours=1), AT
    held = [delivery(n, night, held=True) for n in (1, 2, 4)]
    others = [delivery(3, night), delivery(5, morning)]
    assert next_of([*others, *held], AT) == tuple(held)
    assert next_of(others, AT) == (others[0],)


def test_nights_do_not_mix() -> None:
    first, second = AT - timedelta(hours=24), AT
    one, other = delivery(1, first, held=True), delivery(2, second, held=True)
    assert next_of([other, one], AT) == (one,)


def test_a_day_is_counted_from_when_it_is_due() -> None:
    assert not too_old(delivery(1, AT), AT + timedelta(hours=24))
    assert too_old(delivery(1, AT), AT + timedelta(hours=24, seconds=1))


@given(st.integers(1, 10_000))
def test_waits_grow_and_are_capped(failures: int) -> None:
    assert 1.0 <= wait_s(failures) <= wait_s(failures + 1) <= LONGEST_WAIT_S


def test_waits_double_from_a_second_to_five_minutes() -> None:
    assert [wait_s(n) for n in range(1, 11)] == [1, 2, 4, 8, 16, 32, 64, 128, 256, 300]
