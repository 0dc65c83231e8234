"""Rises that are heard coming, recalls without a mute, and what reads back before anything sounds.

Common practice; no published source.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from parts import bell, crossover, untimed
from reach_parts import ROUNDING_DB, at_once_db, below_db, levels_in, part, phases, settings_in, wish
from samples_plans import FLAT, device_of

from fleet.model.description import Range
from fleet.model.plan import RAMPS, Phase, Target
from fleet.model.settings import DeviceSettings, OutputSettings, SlotContents
from fleet.reconcile.ramps import ramp
from fleet.reconcile.reach import Goal
from fleet.reconcile.readback import deviations


def test_a_rise_of_three_db_is_set_and_a_larger_one_ramped():
    device = device_of(live={1: OutputSettings(level_db=-9.0)})
    assert phases(part(device, wish(level_db=-6.0))) == ["SET"]
    plan = part(device, wish(level_db=-2.0, eq=(bell(),)))
    assert phases(plan) == ["SET", "RAMP_1", "RAMP_2", "RAMP_3"]
    assert levels_in(plan) == [-6.5, -4.5, -2.0]
    assert settings_in(plan, Phase.SET) == OutputSettings(eq=(bell(),))


def test_a_fall_and_a_rise_in_silence_are_not_ramped():
    assert phases(part(device_of(), wish(level_db=-40.0))) == ["SET"]
    silent = device_of(live={1: OutputSettings(level_db=-40.0)}, causes={1: {"panel"}})
    assert phases(part(silent, wish(level_db=0.0))) == ["SET"]
    alarmed = device_of(live={1: OutputSettings(level_db=-40.0)}, causes={1: {"alarm"}})
    assert levels_in(part(alarmed, wish(level_db=0.0, mute=False))) == [0.0]
    sounding = device_of(live={1: OutputSettings(level_db=-40.0)})
    assert levels_in(part(sounding, wish(level_db=0.0, mute=True))) == [0.0]


def test_a_bracketed_output_comes_back_as_loud_as_it_was_and_then_rises():
    device = device_of(live={1: OutputSettings(level_db=-9.0)})
    gentle = part(device, wish(level_db=-3.0, delay_ms=5.0))
    assert phases(gentle) == ["MUTE", "SET", "UNMUTE", "RAMP_1", "RAMP_2"]
    assert levels_in(gentle) == [-6.0, -3.0]
    assert phases(part(device, wish(level_db=-6.0, delay_ms=5.0))) == ["MUTE", "SET", "UNMUTE"]


def test_what_a_recall_brings_is_taken_back_to_what_sounded_before_it_is_heard():
    device = device_of(live={1: OutputSettings(level_db=-10.0)})
    plan = part(device, Goal(recall=5))
    assert (phases(plan)[:4], levels_in(plan)) == (["MUTE", "RECALL", "SET", "UNMUTE"], [-10.0, -7.5, -5.0, -2.5, 0.0])
    assert plan.after.live.outputs[1].level_db == 0.0


def test_a_level_that_nobody_knows_is_left_as_it_is():
    unread = device_of(model="closed", live={1: OutputSettings(level_db=-30.0)})
    assert phases(part(unread, Goal(recall=5))) == ["MUTE", "RECALL", "UNMUTE"]
    device = device_of(causes={1: {"panel"}})
    device.live = DeviceSettings(outputs={1: OutputSettings()})
    assert phases(part(device, wish(mute=False))) == ["UNMUTE"]
    assert phases(part(device, wish(mute=False, level_db=-6.0))) == ["SET", "UNMUTE"]


def test_an_output_that_will_sound_starts_at_its_lowest_level_where_that_is_not_so_far_down():
    device = device_of(live={1: OutputSettings(level_db=-74.0)}, causes={1: {"panel"}})
    plan = part(device, wish(mute=False))
    assert levels_in(plan) == [-80.0, -77.0, -74.0]
    device.live = DeviceSettings(outputs={1: OutputSettings(level_db=-80.0)})
    assert phases(part(device, wish(mute=False))) == ["UNMUTE"]


def test_outputs_of_a_device_rise_side_by_side():
    live = {1: OutputSettings(level_db=-9.0), 2: OutputSettings(level_db=-60.0), 3: OutputSettings(level_db=0.0)}
    device = device_of(model="amp", live=live, causes={3: {"panel"}})
    wanted = {n: OutputSettings(level_db=0.0, mute=False) for n in (1, 2, 3)}
    plan = part(device, Goal(live=DeviceSettings(outputs=wanted)))
    assert plan.work[Phase.SET].settings.outputs == {n: OutputSettings(level_db=-24.0) for n in (2, 3)}
    assert [levels_in(plan, 1), levels_in(plan, 2)[:3]] == [[-6.0, -3.0, 0.0], [-24.0, -21.0, -18.0]]
    quiet = {n: (s.level_db, s.mute) for n, s in plan.quiet.live.outputs.items()}
    assert quiet == {1: (-9.0, False), 2: (-24.0, False), 3: (-24.0, True)}


STEPS_DB = (0.0, 0.1, 0.25, 0.5, 1.0, 1.5, 2.0, 3.0, 5.0, 7.0, 30.0)


@untimed
@given(
    step_db=st.sampled_from(STEPS_DB),
    now_db=st.floats(-60, 6),
    rise_db=st.floats(3.01, 60),
)
def test_a_ramp_rises_in_steps_of_the_device_and_ends_exactly_there(step_db, now_db, rise_db):
    levels = Range(min=-80, max=10, step=step_db)
    now_db, wanted_db = levels.nearest(now_db), levels.nearest(now_db + rise_db)
    assume(wanted_db - now_db > 3.0)
    found = ramp(now_db, wanted_db, levels)
    way_db = [found.start_db, *found.steps_db]
    assert found.start_db == pytest.approx(max(now_db, wanted_db - below_db(levels)))
    assert way_db[-1] == wanted_db
    assert len(found.steps_db) <= len(RAMPS)
    assert all(levels.nearest(level) == pytest.approx(level) for level in way_db)
    assert all(0 < after - before <= at_once_db(levels) + ROUNDING_DB for before, after in pairwise(way_db))


def test_a_level_between_two_steps_of_the_device_starts_at_the_nearer_one():
    levels = Range(min=-80, max=6, step=0.5)
    assert ramp(-6.2, -2.0, levels).start_db == -6.0
    assert ramp(-6.3, -2.0, levels).start_db == -6.5
    assert ramp(-6.3, -2.0, levels).steps_db == (-4.0, -2.0)


# recalls without a mute


def slot_five(**settings):
    return {5: SlotContents(slot=5, outputs={1: replace(FLAT, **settings)})}


@pytest.mark.parametrize(
    ("slot", "settings", "expected"),
    [
        ({"level_db": -3.0}, {}, ["RECALL"]),
        ({"level_db": -40.0}, {}, ["RECALL"]),
        ({"eq": (bell(),)}, {}, ["RECALL"]),
        ({"level_db": -3.0}, {"level_db": 0.0}, ["RECALL", "SET"]),
        ({"level_db": -3.5}, {"level_db": 0.0}, ["MUTE", "RECALL", "SET", "UNMUTE"]),
        ({"level_db": -3.0}, {"level_db": 2.0}, ["RECALL", "RAMP_1", "RAMP_2"]),
        ({"level_db": 2.0}, {"level_db": 4.0}, ["RECALL", "RAMP_1"]),
        ({"level_db": 3.5}, {}, ["MUTE", "RECALL", "SET", "UNMUTE", "RAMP_1", "RAMP_2"]),
        ({"level_db": 3.5}, {"level_db": 0.0}, ["MUTE", "RECALL", "SET", "UNMUTE"]),
        ({"delay_ms": 2.0}, {}, ["MUTE", "RECALL", "UNMUTE"]),
        ({"delay_ms": 2.0}, {"delay_ms": 0.0}, ["MUTE", "RECALL", "SET", "UNMUTE"]),
        ({"polarity": "inverted"}, {}, ["MUTE", "RECALL", "UNMUTE"]),
        ({"high_pass": crossover()}, {}, ["MUTE", "RECALL", "UNMUTE"]),
        ({"low_pass": crossover()}, {}, ["MUTE", "RECALL", "UNMUTE"]),
    ],
)
def test_a_recall_need_not_mute_what_it_neither_makes_click_nor_jump(slot, settings, expected):
    device = device_of(slots=slot_five(**slot))
    goal = replace(wish(**settings), recall=5)
    assert phases(part(device, goal, mute_for_recall=False)) == expected
    assert phases(part(device, goal))[:2] == ["MUTE", "RECALL"]


def test_a_recall_of_another_input_or_of_an_unreadable_slot_mutes_in_any_case():
    amp = device_of(model="amp", wide={"input": "network"})
    assert phases(part(amp, Goal(recall=5), mute_for_recall=False)) == ["MUTE", "RECALL", "UNMUTE"]
    same = device_of(model="amp", wide={"input": "analogue"})
    assert phases(part(same, Goal(recall=5), mute_for_recall=False)) == ["RECALL"]
    closed = device_of(model="closed")
    assert phases(part(closed, Goal(recall=5), mute_for_recall=False)) == ["MUTE", "RECALL", "UNMUTE"]


# what reads back before anything is unmuted


def test_quiet_is_what_is_wanted_but_muted_and_where_the_ramps_begin():
    device = device_of(live={1: OutputSettings(level_db=-30.0)}, slots=slot_five(level_db=-30.0))
    goal = replace(wish(level_db=0.0, delay_ms=5.0), recall=5, store=(SlotContents(slot=6, outputs={1: FLAT}),))
    plan = part(device, goal)
    outputs = {1: replace(plan.after.live.outputs[1], mute=True, level_db=-24.0)}
    assert plan.quiet == Target(active_slot=5, live=replace(plan.after.live, outputs=outputs))


def test_without_unmute_quiet_is_what_reads_back_before_the_first_ramp():
    device = device_of(live={1: OutputSettings(level_db=-9.0)})
    plan = part(device, wish(level_db=0.0, eq=(bell(),)))
    assert plan.quiet.live.outputs == {1: OutputSettings(level_db=-9.0, eq=(bell(),))}
    falling = part(device, replace(wish(level_db=-12.0), store=(SlotContents(slot=6, outputs={1: FLAT}),)))
    assert falling.quiet == replace(falling.after, stored=())


def test_quiet_does_not_judge_the_mute_of_an_output_that_others_muted():
    device = device_of(causes={1: {"controller", "alarm"}})
    plan = part(device, wish(mute=False, level_db=-3.0))
    assert plan.quiet.live.outputs[1].mute is None


def test_what_sounds_too_early_or_has_not_its_first_level_is_not_quiet():
    device = device_of(live={1: OutputSettings(level_db=-9.0)})
    plan = part(device, wish(level_db=0.0, delay_ms=5.0))
    for phase in (Phase.MUTE, Phase.SET):
        assert deviations(plan.quiet, device.reported())
        device.do(plan.work[phase], store=False)
    assert deviations(plan.quiet, device.reported()) == ()
    device.do(plan.work[Phase.UNMUTE], store=False)
    assert deviations(plan.quiet, device.reported()) == ("output 1 is not muted",)


@pytest.mark.parametrize("timer", [True, False])
def test_a_plan_tells_whether_its_device_returns_by_itself(timer):
    assert part(device_of(), wish(level_db=-6.0), timer=timer).timer is timer
