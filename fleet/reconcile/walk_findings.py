"""What a walk found: answers that are not yes, lines that measure wrong, what moved since the baseline. Pure.

That a line within 20 % of V²/P is sound is common practice; no published source.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Final, Literal

from fleet.model.names import Name
from fleet.model.venue_time import day_of
from fleet.model.walk import Answers, Heard, Walk

MAX_OFF_PERCENT: Final = 20.0
ROUNDING_PERCENT: Final = 1e-9
TOLD_DB: Final = 0.5
TOLD_PERCENT: Final = 1.0
"""Differences from a baseline below these are not told: instruments are read to about as much."""

QUESTIONS: Final[tuple[Literal["place", "source", "sound", "polarity"], ...]] = ("place", "source", "sound", "polarity")


@dataclass(frozen=True, slots=True, kw_only=True)
class WalkFinding:
    """One thing that was found at a position, in words."""

    position: Name
    words: str


def off_percent(one: Heard) -> float | None:
    """How far a measured line is from what is expected, in percent of that; `None` where nothing can be said."""
    measured, expected = one.answers.impedance_ohm, one.step.expected_ohm
    return None if measured is None or expected is None else 100.0 * (measured / expected - 1.0)


def line_is_right(one: Heard) -> bool | None:
    """Whether a measured line is within 20 % of what is expected; `None` where nothing can be said."""
    off = off_percent(one)
    return None if off is None else abs(off) <= MAX_OFF_PERCENT + ROUNDING_PERCENT


def all_right(one: Heard) -> bool:
    """Whether every answer is yes, and the line, where it was measured, is right."""
    return not any(_wrong(one))


def findings(walk: Walk) -> tuple[WalkFinding, ...]:
    """Whatever is not right, in the order of the positions."""
    heard = {one.step.position: one for one in walk.heard}
    ordered = (heard[name] for name in walk.positions if name in heard)
    return tuple(WalkFinding(position=one.step.position, words=words) for one in ordered for words in _wrong(one))


def compared(baseline: Walk, walk: Walk, time_zone: str) -> tuple[WalkFinding, ...]:
    """What is another than it was at the baseline, in the order of the positions. Only what both walks heard.

    Days are those of the time zone.
    """
    then = {one.step.position: one for one in baseline.heard}
    now = {one.step.position: one for one in walk.heard}
    return tuple(
        WalkFinding(position=name, words=words)
        for name in walk.positions
        if name in then and name in now
        for words in _moved(then[name], now[name], day_of(then[name].at, time_zone))
    )


def _wrong(one: Heard) -> Iterator[str]:
    for question in QUESTIONS:
        answer = getattr(one.answers, question)
        if answer != "yes":
            yield f"right {question}: {answer}"
    off, right = off_percent(one), line_is_right(one)
    if off is not None and not right:
        yield (
            f"the line measures {one.answers.impedance_ohm:g} ohm: {abs(off):.0f} % {_lower(off)} than the "
            f"{one.step.expected_ohm:.4g} ohm expected (more than {MAX_OFF_PERCENT:g} %: common practice, no source)"
        )


def _moved(then: Heard, now: Heard, day: date) -> Iterator[str]:
    if (then.step.device, then.step.output, then.step.serial) != (now.step.device, now.step.output, now.step.serial):
        yield f"was {_box(then)} on {day}, is {_box(now)} now"
    for question in QUESTIONS:
        was, is_now = getattr(then.answers, question), getattr(now.answers, question)
        if was != is_now:
            yield f"right {question}: was {was} on {day}, is {is_now} now"
    if then.answers.impedance_ohm is not None and now.answers.impedance_ohm is not None:
        off = 100.0 * (now.answers.impedance_ohm / then.answers.impedance_ohm - 1.0)
        if abs(off) >= TOLD_PERCENT:
            yield f"line impedance {abs(off):.0f} % {_lower(off)} than on {day}"
    yield from _level_moved(then, now, day)


def _level_moved(then: Heard, now: Heard, day: date) -> Iterator[str]:
    was_db, is_db = then.answers.level_db, now.answers.level_db
    if was_db is None or is_db is None:
        return
    if then.step.level_db != now.step.level_db:
        yield f"level measured at {now.step.level_db:g} dB, at {then.step.level_db:g} dB on {day}: not compared"
    elif abs(is_db - was_db) >= TOLD_DB:
        other = "" if _instrument(then.answers) == _instrument(now.answers) else ", with another instrument"
        yield f"measured level {abs(is_db - was_db):.1f} dB {_lower(is_db - was_db)} than on {day}{other}"


def _lower(by: float) -> str:
    return "lower" if by < 0 else "higher"


def _box(one: Heard) -> str:
    return f"{one.step.device} output {one.step.output} (serial {one.step.serial})"


def _instrument(answers: Answers) -> tuple[str, str]:
    return answers.instrument, answers.instrument_serial
