"""The way from what is to what is wanted: which work, in which order, and never a click or a jump that sounds.

The order, the mute bracket and the ramp are common practice; no published source.
"""

from __future__ import annotations

from copy import deepcopy
from dataclasses import replace

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from parts import STORES, bell, crossover, untimed
from reach_parts import ROUNDING_DB, at_once_db, below_db, part, phases, wish
from samples_plans import FLAT, MODELS, able, device_of

from fleet.model.plan import RAMPS, Phase, Target
from fleet.model.settings import STORABLE, DeviceSettings, OutputSettings, SlotContents
from fleet.reconcile.brackets import CLICKS
from fleet.reconcile.exact import same_setting
from fleet.reconcile.reach import Goal
from fleet.reconcile.readback import deviations
from fleet.reconcile.recalled import after_recall
from fleet.reconcile.representable import representable

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
    rising = part(device_of(live={1: OutputSettings(level_db=-30.0)}), goal)
    assert phases(rising) == ["MUTE", "RECALL", "SET", "STORE", "UNMUTE", *(r.name for r in RAMPS)]
    assert [phase.value for phase in Phase] == list(range(1, 14))


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
        ({"controller"}, ["SET", "UNMUTE", *(r.name for r in RAMPS)]),
        ({"panel"}, ["SET", "UNMUTE", *(r.name for r in RAMPS)]),
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
    return drawn.map(lambda s: able(model, s, output))


@st.composite
def situations(draw):
    """A device as it is, and a goal for it."""
    model = draw(st.sampled_from(sorted(MODELS)))
    description = stepping(MODELS[model], draw(st.sampled_from([None, 0.0, 2.0, 5.0])))
    numbers = [o.output for o in description.outputs]

    def any_outputs(within=numbers):
        drawn = DeviceSettings(outputs={n: draw(settings_of(model, n)) for n in within})
        return dict(representable(description, drawn).outputs)

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
    device.description = replace(description, id=device.id)
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


def stepping(description, step_db):
    """The description with another step of its levels."""
    if step_db is None:
        return description
    outputs = tuple(replace(o, level_db=replace(o.level_db, step=step_db)) for o in description.outputs)
    return replace(description, outputs=outputs)


def do_all(device, work):
    for phase in sorted(work):
        device.do(work[phase], store=True)


@untimed
@given(situation=situations(), mute_for_recall=st.booleans())
def test_each_phase_holds_its_own_kind_of_work_in_order(situation, mute_for_recall):
    device, goal = situation
    plan = part(device, goal, mute_for_recall=mute_for_recall)
    assume(plan is not None)
    assert plan == part(deepcopy(device), goal, mute_for_recall=mute_for_recall)
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
    rising = plan.work[Phase.RAMP_1].settings.outputs if Phase.RAMP_1 in plan.work else {}
    settings = plan.work[Phase.SET].settings if Phase.SET in plan.work else DeviceSettings()
    for number, output in settings.outputs.items():
        for name in output.given():
            if name == "level_db" and number in rising:
                continue
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
@given(situation=situations(), mute_for_recall=st.booleans())
def test_nothing_clicks_or_jumps_while_it_sounds(situation, mute_for_recall):
    device, goal = situation
    plan = part(device, goal, mute_for_recall=mute_for_recall)
    assume(plan is not None)
    for phase in sorted(plan.work):
        before = device.reported().state
        device.do(plan.work[phase], store=True)
        now = device.reported().state
        for number in before.live.outputs:
            if before.output(number).mute or now.output(number).mute:
                continue
            assert clicking(device, before, now, number) == []
            levels = device.description.output(number).level_db
            rise_db = now.output(number).level_db - before.output(number).level_db
            if phase is Phase.SET and rise_db > at_once_db(levels) + ROUNDING_DB:
                final_db = plan.after.live.outputs[number].level_db
                assert now.output(number).level_db <= final_db - below_db(levels) + ROUNDING_DB
            else:
                assert rise_db <= max(3.0, at_once_db(levels)) + ROUNDING_DB


@untimed
@given(situation=situations(), mute_for_recall=st.booleans())
def test_what_begins_to_sound_is_no_louder_than_it_was_or_far_below_what_it_will_be(situation, mute_for_recall):
    device, goal = situation
    first = device.reported().state
    plan = part(device, goal, mute_for_recall=mute_for_recall)
    assume(plan is not None)
    assume(Phase.UNMUTE in plan.work)
    for phase in sorted(p for p in plan.work if p <= Phase.UNMUTE):
        device.do(plan.work[phase], store=True)
    now = device.reported().state
    for number in plan.work[Phase.UNMUTE].settings.outputs:
        levels, start_db = device.description.output(number).level_db, now.output(number).level_db
        final_db = plan.after.live.outputs[number].level_db
        if final_db is None and number not in plan.before.live.outputs:
            continue
        was = first.output(number)
        low_db = levels.min if was.mute else was.level_db + max(3.0, at_once_db(levels))
        far_db = (start_db if final_db is None else final_db) - below_db(levels)
        unknown = final_db is None and goal.recall is not None
        assert unknown or start_db <= max(low_db, far_db) + ROUNDING_DB


@untimed
@given(situation=situations())
def test_undo_clicks_nothing_that_was_muted_for_the_recall(situation):
    device, goal = situation
    plan = part(device, goal)
    assume(plan is not None)
    do_all(device, plan.work)
    for phase in sorted(plan.undo):
        before = device.reported().state
        device.do(plan.undo[phase], store=True)
        now = device.reported().state
        for number in before.live.outputs:
            if not before.output(number).mute and not now.output(number).mute:
                assert clicking(device, before, now, number) == []


def clicking(device, before, now, number):
    """What of an output moved so that it clicks, between two states."""
    moved = [] if before.live.input == now.live.input else ["input"]
    was, is_now = before.output(number), now.output(number)
    same = {
        name: same_setting(device.description, number, name, getattr(was, name), getattr(is_now, name))
        for name in CLICKS
    }
    return [*moved, *(name for name, alike in same.items() if not alike)]


@untimed
@given(situation=situations(), mute_for_recall=st.booleans())
def test_before_unmute_a_device_reads_as_quiet(situation, mute_for_recall):
    device, goal = situation
    plan = part(device, goal, mute_for_recall=mute_for_recall)
    assume(plan is not None)
    for phase in sorted(p for p in plan.work if p < Phase.UNMUTE):
        device.do(plan.work[phase], store=False)
    assert deviations(plan.quiet, device.reported()) == ()
    if not {Phase.UNMUTE, *RAMPS} & set(plan.work):
        assert plan.quiet == replace(plan.after, stored=())


@untimed
@given(situation=situations(), mute_for_recall=st.booleans(), share=st.floats(0, 1))
def test_undo_brings_the_checkpoint_back_from_wherever_the_work_stopped(situation, mute_for_recall, share):
    device, goal = situation
    was = device.reported().state
    slots = deepcopy(device.slots)
    plan = part(device, goal, mute_for_recall=mute_for_recall)
    assume(plan is not None)
    for phase in sorted(plan.work)[: round(share * len(plan.work))]:
        device.do(plan.work[phase], store=True)
    do_all(device, plan.undo)
    back = device.reported()
    assert deviations(plan.before, back) == ()
    assert deviations(Target(live=was.live, active_slot=was.active_slot), back) == ()
    assert device.slots == slots or not device.description.slots.readable_inactive


@untimed
@given(situation=situations(), mute_for_recall=st.booleans())
def test_mutes_end_as_desired_or_as_they_were_and_never_clear_anothers(situation, mute_for_recall):
    device, goal = situation
    plan = part(device, goal, mute_for_recall=mute_for_recall)
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
@given(situation=situations(), mute_for_recall=st.booleans())
def test_the_work_reaches_the_target(situation, mute_for_recall):
    device, goal = situation
    plan = part(device, goal, mute_for_recall=mute_for_recall)
    assume(plan is not None)
    do_all(device, plan.work)
    there = device.reported()
    assert deviations(plan.after, there) == ()
    assert deviations(Target(live=replace(goal.live, outputs=bare(goal.live))), there) == ()
    assert part(device, replace(goal, recall=None, store=())) is None


def bare(live):
    """Mutes are judged by the test of mutes."""
    return {n: replace(s, mute=None) for n, s in live.outputs.items()}
