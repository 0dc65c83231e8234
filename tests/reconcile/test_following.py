"""Which levels that a device tells count as chosen by somebody."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from parts import description_of, position_of, reported_of

from fleet.model.settings import OutputSettings
from fleet.model.state import Moment, OpenChange
from fleet.model.venue import Between
from fleet.reconcile.following import AT_THE_BOX, ELSEWHERE, arrived, followed, levels_told

NOON = datetime(2031, 5, 17, 12, tzinfo=UTC)
LEFT = position_of("left", between={"level_db": Between(low=-20, high=-4)})


def state_at(level_db, **other):
    return replace(reported_of(OutputSettings(level_db=level_db), active_slot=5).state, **other)


def follow(state, *, position=LEFT, ours=False, before=-10.0):
    told = levels_told(state_at(before), NOON) if before is not None else None
    choices = followed(told, state, description_of(), (position,), ours=ours)
    return [(c.position.name, c.level_db, c.who) for c in choices]


@pytest.mark.parametrize(("cause", "who"), [("panel", AT_THE_BOX), ("request", ELSEWHERE), ("", ELSEWHERE)])
def test_a_level_that_moved_inside_of_its_range_was_chosen_by_whoever_the_device_hints_at(cause, who):
    assert follow(state_at(-12.0, cause=cause)) == [("left", -12.0, who)]


@pytest.mark.parametrize(
    "state",
    [
        state_at(-10.0),
        state_at(-10.1),
        state_at(-21.0),
        state_at(-3.0),
        state_at(-12.0, moment=Moment(boot_id="b-2", revision=1)),
        state_at(-12.0, active_slot=1),
        state_at(-12.0, change=OpenChange(id="c-1", phase=1)),
        state_at(-12.0, cause="power_up"),
        state_at(-12.0, cause="reverted"),
    ],
    ids=[
        "same",
        "less than a step",
        "below",
        "above",
        "another boot",
        "another slot",
        "change open",
        "power",
        "revert",
    ],
)
def test_everything_else_is_nobodys_choice(state):
    assert follow(state) == []


def test_neither_is_what_we_do_nor_what_is_seen_first():
    assert follow(state_at(-12.0), ours=True) == []
    assert follow(state_at(-12.0), before=None) == []


def test_a_level_above_the_ceiling_of_a_position_is_no_choice():
    assert follow(state_at(-5.0), position=replace(LEFT, ceiling_db=-6.0)) == []


def test_a_level_that_comes_back_into_its_range_is_a_choice():
    assert follow(state_at(-12.0), before=-30.0) == [("left", -12.0, ELSEWHERE)]


def test_a_device_has_arrived_once_it_tells_what_a_change_left_it_at():
    assert arrived(state_at(-12.1), description_of(), {1: -12.0})
    assert not arrived(state_at(-11.0), description_of(), {1: -12.0})
    assert not arrived(state_at(-11.0), description_of(), {2: -12.0})
