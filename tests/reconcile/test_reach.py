"""The way from what is to what is wanted: which work, in which order, and never a click or a jump that sounds.

The order, the mute bracket and the ramp are common practice; no published source.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from parts import STORES, bell, crossover, untimed
from pure_device import PureDevice
from samples_plans import COARSE, FLAT, MODELS, able, device_of

from fleet.model.description import Range
from fleet.model.plan import RAMPS, Phase, Target
from fleet.model.settings import STORABLE, DeviceSettings, OutputSettings, SlotContents
from fleet.reconcile.exact import same_setting
from fleet.reconcile.reach import CLICKS, Goal, after_recall, ramp, reach
from fleet.reconcile.readback import deviations
from fleet.reconcile.representable import representable

LOUDEST_STEP_DB = 3.0
HALF_A_STEP_DB = 0.5
"""Of the coarsest level range here."""


def part(device: PureDevice, goal: Goal):
    return reach(device.reported(), goal, (("hall", "left"),), stages=True)


def wish(**settings) -> Goal:
    return Goal(live=DeviceSettings(outputs={1: OutputSettings(**settings)}))


def phases(plan):
    return [phase.name for phase in plan.work]


def settings_in(plan, phase, output=1):
    return plan.work[phase].settings.outputs[output]


# one case at a time


def test_nothing_to_do_is_no_plan():
    assert part(device_of(), wish(level_db=0.0, eq=(), mute=False)) is None
    assert part(device_of(), Goal()) is None


def test_less_than_half_a_step_is_nothing_to_do():
    device = device_of(live={1: OutputSettings(level_db=-6.1, eq=(bell(q=1.4004),), high_pass=crossover(90.3))})
    assert part(device, wish(level_db=-6.0, eq=(bell(q=1.4),), high_pass=crossover(90))) is None


def test_the_order_never_varies():
    goal = Goal(
        live=DeviceSettings(outputs={1: OutputSettings(level_db=-6, mute=False, delay_ms=3)}),
        recall=5,
        store=(SlotContents(slot=6, outputs={1: FLAT}),),
    )
    assert phases(part(device_of(), goal)) == ["MUTE", "RECALL", "SET", "STORE", "UNMUTE"]


@pytest.mark.parametrize(
    ("settings", "expected"),
    [
        ({"level_db": -6.0}, ["SET"]),
        ({"eq": (bell(),)}, ["SET"]),
        ({"delay_ms": 5.0}, ["MUTE", "SET", "UNMUTE"]),
        ({"high_pass": crossover()}, ["MUTE", "SET", "UNMUTE"]),
        ({"low_pass": crossover()}, ["MUTE", "SET", "UNMUTE"]),
        ({"polarity": "inverted"}, ["MUTE", "SET", "UNMUTE"]),
        ({"polarity": "inverted", "mute": True}, ["MUTE", "SET"]),
        ({"mute": True}, ["MUTE"]),
    ],
)
def test_a_sounding_output_is_muted_first_only_where_it_would_click(settings, expected):
    assert phases(part(device_of(), wish(**settings))) == expected


@pytest.mark.parametrize("cause", ["controller", "panel", "external", "alarm"])
def test_an_output_that_is_silent_needs_no_bracket_and_stays_silent(cause):
    assert phases(part(device_of(causes={1: {cause}}), wish(delay_ms=5.0))) == ["SET"]


@pytest.mark.parametrize(
    ("causes", "expected"),
    [
        ({"controller"}, ["UNMUTE"]),
        ({"panel"}, ["UNMUTE"]),
        ({"external"}, None),
        ({"alarm"}, None),
        ({"controller", "alarm"}, None),
    ],
)
def test_only_our_mutes_and_the_panels_are_cleared_and_only_where_that_is_desired(causes, expected):
    plan = part(device_of(causes={1: set(causes)}), wish(mute=False))
    assert (phases(plan) if plan else None) == expected
    assert part(device_of(causes={1: set(causes)}), wish(level_db=0.0)) is None


def test_a_mute_by_others_beside_ours_is_neither_cleared_nor_a_failure():
    device = device_of(causes={1: {"controller", "alarm"}})
    plan = part(device, wish(mute=False, level_db=-3.0))
    do_all(device, plan.work)
    assert deviations(plan.after, device.reported()) == ()
    assert device.causes[1] == {"controller", "alarm"}


def test_undo_leaves_no_mute_of_ours_on_an_output_that_others_muted():
    device = device_of(causes={1: {"alarm"}})
    plan = part(device, wish(mute=False, delay_ms=5.0))
    do_all(device, plan.work)
    do_all(device, plan.undo)
    assert device.causes[1] == {"alarm"}


def test_undo_brings_back_a_mute_that_was_cleared():
    device = device_of(causes={1: {"panel"}})
    plan = part(device, wish(mute=False))
    do_all(device, plan.work)
    do_all(device, plan.undo)
    assert device.causes[1] == {"controller"}


def test_input_clicks_on_every_output():
    plan = part(device_of(model="amp"), Goal(live=DeviceSettings(input="analogue")))
    assert phases(plan) == ["MUTE", "SET", "UNMUTE"]
    assert set(plan.work[Phase.MUTE].settings.outputs) == {1, 2, 3}
    assert list(plan.undo) == [Phase.MUTE, Phase.SET, Phase.UNMUTE]


def test_the_checkpoint_holds_what_is_written_and_nothing_else():
    plan = part(device_of(), wish(level_db=-6.0, eq=(), delay_ms=0.0))
    assert plan.before == Target(live=DeviceSettings(outputs={1: OutputSettings(level_db=0.0)}))


def test_the_checkpoint_of_a_recall_holds_everything_the_slot_may_move_even_if_it_cannot_be_read():
    device = device_of(model="closed", live={1: OutputSettings(eq=(bell(),), level_db=-9)})
    plan = part(device, replace(wish(level_db=-9), recall=5))
    assert plan.before.active_slot == 3
    assert set(STORES) <= set(plan.before.live.outputs[1].given())
    do_all(device, plan.work)
    assert device.live.outputs[1].eq == ()
    do_all(device, plan.undo)
    assert [band.gain_db for band in device.live.outputs[1].eq] == [-2.0]


def test_held_outputs_of_a_shared_amplifier_end_as_they_were():
    own = {n: OutputSettings(level_db=-10.0 - n, eq=(bell(gain_db=n),), delay_ms=float(n)) for n in (1, 2, 3)}
    device = device_of(model="amp", live=own, causes={3: {"external"}})
    was = device.reported().state
    goal = Goal(live=DeviceSettings(outputs={1: OutputSettings(level_db=-6.0)}), recall=5, hold=frozenset({2, 3}))
    plan = part(device, goal)
    do_all(device, plan.work)
    now = device.reported().state
    others = {n: was.output(n) for n in (2, 3)}
    assert deviations(Target(live=DeviceSettings(outputs=others)), device.reported()) == ()
    assert (now.output(1).level_db, now.active_slot) == (-6.0, 5)


# ramps


def test_a_rise_of_three_db_is_set_and_a_larger_one_ramped():
    device = device_of(live={1: OutputSettings(level_db=-9.0)})
    assert phases(part(device, wish(level_db=-6.0))) == ["SET"]
    plan = part(device, wish(level_db=-2.0, eq=(bell(),)))
    assert phases(plan) == ["SET", "RAMP_1", "RAMP_2", "RAMP_3"]
    assert [settings_in(plan, r).level_db for r in RAMPS[:3]] == [-6.5, -4.5, -2.0]
    assert settings_in(plan, Phase.SET) == OutputSettings(eq=(bell(),))


def test_a_fall_and_a_rise_in_silence_are_not_ramped():
    assert phases(part(device_of(), wish(level_db=-40.0))) == ["SET"]
    silent = device_of(live={1: OutputSettings(level_db=-40.0)}, causes={1: {"panel"}})
    assert phases(part(silent, wish(level_db=0.0))) == ["SET"]


@untimed
@given(
    levels=st.sampled_from([Range(min=-80, max=6, step=0.5), COARSE, Range(min=-80, max=10)]),
    now_db=st.floats(-60, 6),
    rise_db=st.floats(LOUDEST_STEP_DB + 0.01, 60),
)
def test_a_ramp_rises_by_about_three_db_in_steps_of_the_device_and_ends_exactly_there(levels, now_db, rise_db):
    now_db, wanted_db = levels.nearest(now_db), levels.nearest(now_db + rise_db)
    assume(wanted_db - now_db > LOUDEST_STEP_DB)
    steps = ramp(now_db, wanted_db, levels)
    largest_db = max(LOUDEST_STEP_DB, (wanted_db - now_db) / len(RAMPS)) + levels.step
    assert steps[-1] == wanted_db
    assert len(steps) <= len(RAMPS)
    assert all(levels.nearest(level) == pytest.approx(level) for level in steps)
    assert all(-1e-9 <= after - before <= largest_db + 1e-9 for before, after in pairwise([now_db, *steps]))


# properties over random devices and wishes

levels_db = st.integers(-60, 0).map(float)
CHAINS = [(), (bell(),), (bell(gain_db=4.0), bell(frequency_hz=400.0))]


def settings_of(model, output):
    drawn = st.builds(
        OutputSettings,
        level_db=levels_db,
        polarity=st.sampled_from(["normal", "inverted"]),
        delay_ms=st.sampled_from([0.0, 4.0, 12.5]),
        eq=st.sampled_from(CHAINS),
        high_pass=st.sampled_from(["none", crossover(90), crossover(120)]),
        low_pass=st.sampled_from(["none", crossover(200)]),
    )
    return drawn.map(lambda s: able(model, s, output)).map(
        lambda s: representable(MODELS[model], DeviceSettings(outputs={output: s})).outputs[output]
    )


@st.composite
def situations(draw):
    """A device as it is, and a goal for it."""
    model = draw(st.sampled_from(sorted(MODELS)))
    description = MODELS[model]
    numbers = [o.output for o in description.outputs]

    def any_outputs(within=numbers):
        return {n: draw(settings_of(model, n)) for n in within}

    filled = draw(st.lists(st.sampled_from([3, 5]), unique=True)) if description.slots.count else []
    has_input = "input" in description.slots.stores
    slots = {
        n: SlotContents(
            slot=n, outputs=any_outputs(), input=draw(st.sampled_from(description.inputs)) if has_input else None
        )
        for n in filled
    }
    causes = st.sets(st.sampled_from(["controller", "panel", "external", "alarm"]), max_size=2)
    device = device_of(model=model, live=any_outputs(), slots=slots, causes={n: draw(causes) for n in numbers})
    names = st.sets(st.sampled_from(STORABLE))
    mutes = st.sampled_from([None, True, False])
    managed = draw(st.sets(st.sampled_from(numbers)))
    outputs = {n: replace(s.only(draw(names)), mute=draw(mutes)) for n, s in any_outputs(managed).items()}
    able_slots = bool(description.slots.count)
    live = DeviceSettings(
        outputs=outputs,
        input=draw(st.sampled_from([None, *description.inputs])),
        panel_locked=draw(st.sampled_from([None, True])) if description.panel_lock else None,
    )
    goal = Goal(
        live=live,
        recall=draw(st.sampled_from([None, 5, 3])) if able_slots else None,
        hold=frozenset(numbers) - managed,
        store=draw(st.sampled_from([(), (SlotContents(slot=5, outputs=any_outputs()),)])) if able_slots else (),
    )
    return device, goal


def do_all(device, work):
    for phase in sorted(work):
        device.do(work[phase], store=True)


@untimed
@given(situation=situations())
def test_each_phase_holds_its_own_kind_of_work_in_order(situation):
    device, goal = situation
    plan = part(device, goal)
    assume(plan is not None)
    assert list(plan.work) == sorted(plan.work)
    assert list(plan.undo) == sorted(plan.undo)
    for work in (plan.work, plan.undo):
        for phase, todo in work.items():
            outputs = todo.settings.outputs if todo.settings else {}
            given_names = {name for s in outputs.values() for name in s.given()}
            assert (todo.recall is not None) == (phase == Phase.RECALL)
            assert bool(todo.slot_contents) == (phase == Phase.STORE)
            if phase in (Phase.MUTE, Phase.UNMUTE):
                assert {s.mute for s in outputs.values()} == {phase == Phase.MUTE}
                assert given_names == {"mute"}
            if phase == Phase.SET and work is plan.work:
                assert "mute" not in given_names
            if phase == Phase.SET:
                assert all(s.mute is not False for s in outputs.values())
            if phase in RAMPS:
                assert given_names == {"level_db"}


@untimed
@given(situation=situations())
def test_only_what_is_managed_or_held_and_differs_is_written(situation):
    device, goal = situation
    reported = device.reported()
    plan = part(device, goal)
    assume(plan is not None)
    known = after_recall(reported, goal.recall)
    for phase in (Phase.SET, *RAMPS):
        settings = plan.work[phase].settings if phase in plan.work else DeviceSettings()
        for number, output in settings.outputs.items():
            for name in output.given():
                wanted = getattr(goal.live.outputs.get(number, OutputSettings()), name)
                if wanted is None:
                    assert goal.recall is not None
                    assert number in goal.hold
                    wanted = getattr(reported.state.output(number), name)
                present = getattr(known.outputs[number], name)
                assert not same_setting(reported.description, number, name, wanted, present)
        for name in settings.given():
            assert getattr(goal.live, name) not in (None, getattr(known, name))


@untimed
@given(situation=situations())
def test_nothing_clicks_or_jumps_while_it_sounds(situation):
    device, goal = situation
    plan = part(device, goal)
    assume(plan is not None)
    for work, rises_slowly in ((plan.work, True), (plan.undo, False)):
        for phase in sorted(work):
            before = device.reported().state
            device.do(work[phase], store=True)
            now = device.reported().state
            for number, was in before.live.outputs.items():
                is_now = now.output(number)
                if was.mute or is_now.mute:
                    continue
                assert [name for name in CLICKS if not unmoved(device, number, name, was, is_now)] == []
                assert before.live.input == now.live.input
                far_db = goal.live.outputs.get(number, OutputSettings()).level_db or 0.0
                most_db = max(LOUDEST_STEP_DB, (far_db + 60.0) / len(RAMPS)) + 2 * HALF_A_STEP_DB
                assert not rises_slowly or is_now.level_db - was.level_db <= most_db


def unmoved(device, number, name, was, is_now):
    return same_setting(device.description, number, name, getattr(was, name), getattr(is_now, name))


@untimed
@given(situation=situations())
def test_mutes_end_as_desired_or_as_they_were_and_never_clear_anothers(situation):
    device, goal = situation
    plan = part(device, goal)
    assume(plan is not None)
    was = {n: set(c) for n, c in device.causes.items()}
    unmuted = plan.work[Phase.UNMUTE].settings.outputs if Phase.UNMUTE in plan.work else {}
    muted = plan.work[Phase.MUTE].settings.outputs if Phase.MUTE in plan.work else {}
    do_all(device, plan.work)
    for number in device.live.outputs:
        desired = goal.live.outputs.get(number, OutputSettings()).mute
        others = was[number] & {"external", "alarm"}
        assert device.causes.get(number, set()) >= others
        if others:
            assert number not in unmuted
        if number in unmuted:
            assert desired is False or number in muted
        if desired is None:
            assert bool(device.causes.get(number)) == bool(was[number])
        if desired is True:
            assert device.causes[number]


@untimed
@given(situation=situations())
def test_the_work_reaches_the_target_and_undo_brings_the_checkpoint_back(situation):
    device, goal = situation
    reported = device.reported()
    plan = part(device, goal)
    assume(plan is not None)
    do_all(device, plan.work)
    there = device.reported()
    assert deviations(plan.after, there) == ()
    assert deviations(Target(live=replace(goal.live, outputs=bare(goal.live))), there) == ()
    assert part(device, replace(goal, recall=None, store=())) is None
    do_all(device, plan.undo)
    back = device.reported()
    assert deviations(plan.before, back) == ()
    assert deviations(Target(live=reported.state.live, active_slot=reported.state.active_slot), back) == ()


def bare(live):
    """Mutes are judged by the test of mutes."""
    return {n: replace(s, mute=None) for n, s in live.outputs.items()}
