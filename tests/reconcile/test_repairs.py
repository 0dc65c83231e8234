"""When drift is put right unasked: only where and when the room says so, rarely, and never against a person."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from fleet.model.days import Hours, SelfRepair
from fleet.model.episode import Episode
from fleet.model.repair import Repairs
from fleet.reconcile.repairs import (
    APART,
    MOST_A_DAY,
    REMEMBERED,
    STOOD_FOR,
    LeaveAlone,
    PutRight,
    Verdict,
    remembered,
    repaired,
    verdict,
)

BERLIN = ZoneInfo("Europe/Berlin")
NIGHT = datetime(2031, 5, 17, 2, 30, tzinfo=UTC)  # 04:30 in Berlin
ALWAYS = SelfRepair()
AT_NIGHT = SelfRepair(nobody_near=Hours(start=time(4), until=time(6)))
NONE = Repairs(room="weir-hall")


def drift(position: str = "fill", setting: str = "live level_db", **other: Any) -> Episode:
    since = NIGHT - timedelta(minutes=5)
    given: dict[str, Any] = {"since": since, "moved": since, **other}
    return Episode(
        kind="drift", rooms=("weir-hall",), positions=(f"weir-hall/{position}",), settings=(setting,), **given
    )


def decide(
    *episodes: Episode,
    rule: SelfRepair | None = ALWAYS,
    past: Repairs = NONE,
    now: datetime = NIGHT,
    in_use: bool = False,
) -> Verdict:
    return verdict(rule, episodes, past, BERLIN, now, in_use=in_use)


def test_it_is_off_unless_the_room_asks_for_it() -> None:
    assert decide(drift(), rule=None) is None


def test_drift_that_stands_is_put_right() -> None:
    found = decide(drift("fill"), drift("main-left", "live mute"))
    assert found == PutRight(
        positions=("fill", "main-left"), settings=("weir-hall/fill live level_db", "weir-hall/main-left live mute")
    )


@pytest.mark.parametrize(("minute", "repairs"), [(-31, False), (-30, True), (0, True), (89, True), (90, False)])
def test_only_while_nobody_is_near(minute: int, repairs: bool) -> None:
    now = NIGHT + timedelta(minutes=minute)
    since = now - timedelta(hours=1)
    found = decide(drift(since=since, moved=since), rule=AT_NIGHT, now=now)
    assert isinstance(found, PutRight) == repairs
    assert found is None or repairs


def test_never_in_a_room_in_use() -> None:
    assert decide(drift(), in_use=True) is None


def test_a_hand_at_the_panel_is_left_to_finish() -> None:
    moved = NIGHT - STOOD_FOR + timedelta(seconds=1)
    assert decide(drift(since=moved, moved=moved)) is None
    assert decide(drift(since=moved, moved=moved), now=NIGHT + timedelta(seconds=1)) is not None


@pytest.mark.parametrize("kind", ["muted", "missing", "link"])
def test_only_drift_is_repaired(kind: Any) -> None:
    assert decide(replace(drift(), kind=kind)) is None


def test_what_drifts_again_is_left_to_people_and_told_once() -> None:
    past = repaired(NONE, ["weir-hall/fill live level_db"], "c-1", NIGHT - timedelta(hours=1))
    found = decide(drift(), past=past)
    assert found == LeaveAlone(
        settings=("weir-hall/fill live level_db",), why="it was put right within the last day, and drifted again"
    )
    assert decide(drift(), past=replace(past, left_alone=found.settings)) is None


def test_what_was_just_put_right_is_not_put_right_again_before_that_is_seen() -> None:
    past = repaired(NONE, ["weir-hall/fill live level_db"], "c-1", NIGHT)
    assert decide(drift(), past=past, now=NIGHT + timedelta(seconds=1)) is None


def test_what_comes_and_goes_is_left_to_people() -> None:
    found = decide(drift(state="flapping"))
    assert isinstance(found, LeaveAlone)
    assert found.why == "it comes and goes"


def test_repairs_are_apart_and_few() -> None:
    soon = repaired(NONE, ["weir-hall/other live mute"], "c-1", NIGHT - APART + timedelta(seconds=1))
    assert decide(drift(), past=soon) is None
    assert isinstance(decide(drift(), past=soon, now=NIGHT + timedelta(seconds=1)), PutRight)
    many = NONE
    for number in range(MOST_A_DAY):
        many = repaired(many, [f"weir-hall/p{number} live mute"], f"c-{number}", NIGHT - timedelta(hours=number + 1))
    found = decide(drift(), past=many)
    assert isinstance(found, LeaveAlone)
    assert str(MOST_A_DAY) in found.why


def test_a_day_later_it_is_forgotten() -> None:
    past = repaired(NONE, ["weir-hall/fill live level_db"], "c-1", NIGHT - REMEMBERED)
    assert isinstance(decide(drift(), past=past), PutRight)
    assert remembered(past, [drift()], NIGHT) == past, "people were not told of it yet"
    assert remembered(replace(past, owed=""), [drift()], NIGHT).done == ()


def test_what_was_left_alone_counts_anew_once_it_is_over() -> None:
    past = replace(NONE, left_alone=("weir-hall/fill live level_db",))
    assert remembered(past, [drift()], NIGHT) == past
    assert remembered(past, [], NIGHT) == NONE
