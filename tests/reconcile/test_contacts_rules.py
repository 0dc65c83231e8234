"""What a contact's messages come to: values that stood, chatter, what the broker had kept, and any message at all."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.reconcile.contacts import (
    LONGEST_PAYLOAD,
    MINUTE,
    MOST_FLIPS,
    NO_TEXT,
    Chatter,
    Counts,
    Line,
    after,
    compared,
    heard,
    judge,
    value_of,
)

T0 = datetime(2031, 5, 17, 12, 0, 0, tzinfo=UTC)
SETTLE = timedelta(seconds=3)


def at(seconds: float) -> datetime:
    return T0 + timedelta(seconds=seconds)


def told(*messages: tuple[float, str], line: Line | None = None) -> Line:
    line = line or Line()
    for seconds, value in messages:
        line = heard(line, value, at(seconds))
    return line


def outcomes(line: Line, seconds: float, settle: timedelta = SETTLE) -> tuple[Line, list[Counts | Chatter]]:
    """All that has come of a line by a moment, each dealt with."""
    found = []
    while (outcome := judge(line, at(seconds), settle)) is not None:
        found.append(outcome)
        line = after(line, outcome)
    return line, found


def test_a_value_counts_once_it_has_stood_and_only_once() -> None:
    line = told((0, "open"))
    assert outcomes(line, 2.9)[1] == []
    line, found = outcomes(line, 3)
    assert found == [Counts(value="open", present=False)]
    assert outcomes(line, 600)[1] == []


def test_repetitions_neither_count_again_nor_put_off() -> None:
    line = told((0, "open"), (1, "open"), (2, "open"))
    line, found = outcomes(line, 3)
    assert found == [Counts(value="open", present=False)]
    assert outcomes(told((500, "open"), line=line), 600)[1] == []


def test_a_bounce_that_ends_where_it_began_is_nothing() -> None:
    line, _ = outcomes(told((0, "open")), 3)
    assert outcomes(told((10, "closed"), (11, "open"), line=line), 60)[1] == []


def test_what_was_kept_is_told_as_the_present_until_something_new_is_heard() -> None:
    line = heard(Line(), "open", at(0), present=True)
    assert outcomes(line, 3)[1] == [Counts(value="open", present=True)]
    assert outcomes(told((1, "closed"), line=line), 4)[1] == [Counts(value="closed", present=False)]


def test_a_value_that_counted_before_a_restart_is_nothing_new() -> None:
    assert outcomes(told((0, "open"), line=Line(counted="open")), 60)[1] == []
    assert outcomes(told((0, "closed"), line=Line(counted="open")), 60)[1] == [Counts(value="closed", present=False)]


def test_a_button_that_is_pressed_again_counts_again_and_what_was_kept_does_not() -> None:
    line, found = outcomes(heard(Line(), "1", at(0), repeats=True), 3)
    assert found == [Counts(value="1", present=False)]
    line = heard(line, "1", at(10), present=True, repeats=True)
    assert outcomes(line, 20)[1] == []
    line = heard(line, "1", at(30), repeats=True)
    assert outcomes(line, 32.9)[1] == []
    line, found = outcomes(line, 33)
    assert found == [Counts(value="1", present=False)]
    assert outcomes(line, 60)[1] == []
    line = heard(Line(counted="1"), "1", at(0), repeats=True)  # after a restart
    assert outcomes(line, 3)[1] == [Counts(value="1", present=False)]


def flips(count: int, start: float, every: float) -> list[tuple[float, str]]:
    """The first message, and so many flips after it."""
    return [(start + number * every, "closed" if number % 2 else "open") for number in range(count + 1)]


def test_six_flips_in_a_minute_are_no_chatter_and_seven_are() -> None:
    line, found = outcomes(told(*flips(MOST_FLIPS, 0, 5)), 60, settle=timedelta(seconds=40))
    assert found == []
    assert not line.chatters
    line, found = outcomes(told(*flips(MOST_FLIPS + 1, 0, 5)), 36)
    assert found == [Chatter(flips=7)]
    assert line.chatters


def test_seven_flips_in_more_than_a_minute_are_no_chatter() -> None:
    line = told(*flips(7, 0, 10.1))
    assert not line.chatters


def test_chatter_is_told_once_ignored_and_after_a_quiet_minute_its_value_counts() -> None:
    line, found = outcomes(told((0, "closed")), 3)
    assert found == [Counts(value="closed", present=False)]
    line, found = outcomes(told(*flips(20, 10, 1), line=line), 30)
    assert [type(one) for one in found] == [Chatter]
    line, found = outcomes(told(*flips(21, 31, 1), line=line), 60)  # it goes on
    assert found == []
    last = 31 + 21
    assert outcomes(line, last + 59.9)[1] == []
    line, found = outcomes(line, last + 60)
    assert found == []  # it is closed again, as it was before
    line, found = outcomes(told((last + 100, "open"), line=line), last + 103)
    assert found == [Counts(value="open", present=False)]


def test_after_chatter_that_ended_elsewhere_the_new_value_counts() -> None:
    line, _ = outcomes(told((0, "closed")), 3)
    line, found = outcomes(told(*flips(8, 10, 1), line=line), 18)
    assert found == [Chatter(flips=9)]  # from closed to open is one, too
    line, found = outcomes(line, 18 + 60)
    assert found == [Counts(value="open", present=False)]


def test_chatter_that_comes_back_within_the_hour_is_not_told_again() -> None:
    line, found = outcomes(told(*flips(7, 0, 1)), 8)
    assert len(found) == 1
    line, found = outcomes(told(*flips(9, 200, 1), line=line), 210)
    assert line.chatters
    assert [type(one) for one in found] == []
    line, found = outcomes(told(*flips(9, 210 + 3700, 1), line=line), 210 + 3710)
    assert [type(one) for one in found] == [Chatter]


def test_a_quiet_minute_between_two_looks_ends_chatter() -> None:
    """Ticks may be ten minutes apart."""
    line = told(*flips(8, 0, 1), (100, "half"))
    assert not line.chatters
    assert outcomes(line, 600)[1] == [Chatter(flips=8), Counts(value="half", present=False)]


def test_flips_of_a_flood_are_bounded() -> None:
    line = told(*flips(5000, 0, 0.001))
    assert len(line.flips) <= 200


@pytest.mark.parametrize(
    ("payload", "value"),
    [
        (b"open", "open"),
        (b" Open\r\n", "open"),
        ("GEÖFFNET".encode(), "geöffnet"),
        ("geo\u0308ffnet".encode(), "geöffnet"),
        (b"1", "1"),
        (b"", None),
        (b"\xff\xfe", NO_TEXT),
        (b"op\x00en", NO_TEXT),
        ("\u202eopen".encode(), NO_TEXT),
        (b"  ", NO_TEXT),
        (b"a" * LONGEST_PAYLOAD, "a" * LONGEST_PAYLOAD),
        (b"a" * (LONGEST_PAYLOAD + 1), NO_TEXT),
    ],
)
def test_payloads_are_text_of_bounded_length_or_no_value(payload: bytes, value: str | None) -> None:
    assert value_of(payload) == value


@given(st.binary(max_size=400))
def test_any_payload_is_a_value_that_compares_as_itself_or_none(payload: bytes) -> None:
    value = value_of(payload)
    assert value is None or value == NO_TEXT or (value.isprintable() and value == compared(value))


@given(
    steps=st.lists(
        st.tuples(st.floats(0.01, 90), st.sampled_from(["open", "closed", "half"])), min_size=1, max_size=80
    ),
    ticks=st.lists(st.floats(0.1, 600), min_size=1, max_size=40),
)
def test_whatever_is_heard_only_a_value_that_stood_counts_and_the_last_one_does(
    steps: list[tuple[float, str]], ticks: list[float]
) -> None:
    """Messages and looks in any order; at the end it is quiet."""
    moments, t = [], 0.0
    for wait, value in steps:
        t += wait
        moments.append((t, value))
    looks, t = [], 0.0
    for wait in ticks:
        t += wait
        looks.append((t, None))
    end = max(moments[-1][0], looks[-1][0]) + 200
    line, counted, since, value = Line(), [], 0.0, None
    for t, said in sorted([*moments, *looks, (end, None)], key=lambda one: one[0]):
        if said is not None:
            since = since if said == value else t
            value = said
            line = heard(line, said, at(t))
            continue
        line, found = outcomes(line, t)
        for one in found:
            if isinstance(one, Counts):
                assert one.value == value
                assert t - since >= SETTLE.total_seconds() - 1e-6
                counted.append(one.value)
    assert counted
    assert counted[-1] == value
    assert all(a != b for a, b in pairwise(counted))
    assert at(end) - at(since) > MINUTE
