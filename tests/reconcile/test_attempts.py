"""How long somebody who failed has to wait."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from fleet.reconcile.attempts import (
    FIRST_WAIT,
    FORGOTTEN_AFTER,
    FREE,
    LONGEST_WAIT,
    WITHIN,
    Attempts,
    failed,
    forgotten,
    left,
)

NOON = datetime(2031, 5, 17, 12, 0, 0, tzinfo=UTC)
SECOND = timedelta(seconds=1)


def after(*seconds: float) -> Attempts:
    """What is known after failures at these seconds."""
    known = Attempts()
    for at in seconds:
        known = failed(known, NOON + at * SECOND)
    return known


def test_four_failures_in_a_minute_are_mistakes_and_the_fifth_has_to_wait() -> None:
    assert left(after(0, 1, 2, 3), NOON + 3 * SECOND) == timedelta(0)
    assert left(after(0, 1, 2, 3, 4), NOON + 4 * SECOND) == FIRST_WAIT


def test_failures_that_are_a_minute_apart_never_wait() -> None:
    assert after(*range(0, 600, 16)).wait == timedelta(0)


def test_each_further_failure_waits_twice_as_long_and_never_longer_than_a_quarter_of_an_hour() -> None:
    known, now, waits = after(0, 1, 2, 3, 4), NOON + 4 * SECOND, []
    for _ in range(9):
        now += left(known, now)
        known = failed(known, now)
        waits.append(left(known, now).total_seconds())
    assert waits == [30, 60, 120, 240, 480, 900, 900, 900, 900]


def test_a_wait_runs_down_and_is_forgotten_a_quarter_of_an_hour_after_its_end() -> None:
    known = after(0, 1, 2, 3, 4)
    end = NOON + 4 * SECOND + FIRST_WAIT
    assert left(known, end - SECOND) == SECOND
    assert left(known, end) == timedelta(0)
    assert not forgotten(known, end + FORGOTTEN_AFTER - SECOND)
    assert failed(known, end + FORGOTTEN_AFTER - SECOND).wait == 2 * FIRST_WAIT
    assert forgotten(known, end + FORGOTTEN_AFTER)
    assert failed(known, end + FORGOTTEN_AFTER) == failed(Attempts(), end + FORGOTTEN_AFTER)


def test_nothing_is_known_of_who_never_failed() -> None:
    assert forgotten(Attempts(), NOON)
    assert left(Attempts(), NOON) == timedelta(0)


@given(st.lists(st.floats(0, 3600), max_size=40))
def test_whoever_fails_is_never_kept_longer_than_the_longest_wait(gaps: list[float]) -> None:
    known, now = Attempts(), NOON
    for gap in gaps:
        now += gap * SECOND
        known = failed(known, now)
        assert timedelta(0) <= left(known, now) <= LONGEST_WAIT
        assert len(known.failures) <= FREE
        assert all(at > now - WITHIN for at in known.failures)
