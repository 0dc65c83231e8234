"""The plans of level changes: never outside of a range or a ceiling, all or nothing, and back again by the opposite."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from parts import untimed
from samples_plans import HALL, carry_out, device_of, hall, outlook_of, position

from fleet.errors import BadInput, Refused
from fleet.model.description import Range
from fleet.model.settings import OutputSettings
from fleet.model.standing import LevelEnd, OperatorLevel, level_key, level_place
from fleet.model.venue import Between
from fleet.reconcile.levels import LevelMove, plan_level, plan_level_end
from fleet.reconcile.plans import plan_apply, plan_recall
from fleet.reconcile.scope import Scope

NOW = datetime(2031, 5, 17, 12, tzinfo=UTC)
RANGE = Between(low=-20, high=-4)


def at(level_db, name="box-1", **other):
    return device_of(name, live={1: OutputSettings(level_db=level_db)}, **other)


def ranged(name="left", device="box-1", between=RANGE, **other):
    return position(name, device, between={"level_db": between}, **other)


def with_step(device, step):
    levels = Range(min=-80, max=6, step=step)
    outputs = tuple(replace(o, level_db=levels) for o in device.description.outputs)
    device.description = replace(device.description, outputs=outputs)
    return device


def chosen(level_db, name="left", change="c-1", who="ines"):
    return OperatorLevel(room="hall", position=name, level_db=level_db, at=NOW, who=who, change=change)


def levels_of(plan):
    return {p.device: p.after.live.outputs[1].level_db for p in plan.devices}


def up(by_db, **other):
    return LevelMove(by_db=by_db, **other)


# the rule, whatever the venue is


@st.composite
def venues(draw):
    """Boxes with different steps, ranges and ceilings, each inside of its range, now and then in a coherent set."""
    count = draw(st.integers(1, 4))
    positions, devices = [], []
    for number in range(count):
        step = draw(st.sampled_from([0.0, 0.1, 0.5, 1.0, 3.0]))
        low = draw(st.integers(-40, -10))
        between = Between(low=low, high=low + draw(st.integers(3, 30)))
        levels = Range(min=-80, max=6, step=step)
        present_db = levels.nearest(draw(st.floats(between.low, between.high)))
        assume(between.low <= present_db <= between.high)
        ceiling_db = draw(st.none() | st.integers(low, -2))
        name = f"p-{number}"
        positions.append(ranged(name, f"box-{number}", between, ceiling_db=ceiling_db))
        devices.append(with_step(at(present_db, f"box-{number}"), step))
    together = {"set": [p.name for p in positions]} if draw(st.booleans()) else {}
    limits = draw(st.just({}) | st.fixed_dictionaries({"hall": st.integers(-40, 0)}))
    return [hall(*positions, together=together)], devices, limits


@untimed
@given(venues(), st.sampled_from([-7.0, -3.0, -1.0, -0.5, -0.1, 0.1, 0.5, 1.0, 3.0, 7.0]))
def test_no_level_leaves_its_range_or_rises_above_a_ceiling_and_the_opposite_step_brings_all_back(venue, by_db):
    rooms, devices, limits = venue
    outlook = outlook_of(rooms, devices, level_limits_db=limits)
    before = {d.id: d.live.outputs[1].level_db for d in devices}
    try:
        plan = plan_level(outlook, HALL, up(by_db))
    except Refused:
        return
    assert not plan.guards
    carry_out(plan, devices)
    for p in rooms[0].positions.values():
        device = next(d for d in devices if d.id == p.device)
        level_db, between = device.live.outputs[1].level_db, p.between["level_db"]
        assert between.low - 1e-6 <= level_db <= between.high + 1e-6
        if level_db > before[p.device] + 1e-6:
            assert level_db <= min(limits.get("hall", 99), 99 if p.ceiling_db is None else p.ceiling_db) + 1e-6
    if limits or any(p.ceiling_db is not None for p in rooms[0].positions.values()):
        return  # back up above a ceiling that it came from is refused, rightly
    carry_out(plan_level(outlook_of(rooms, devices), HALL, up(-by_db)), devices)
    assert {d.id: pytest.approx(d.live.outputs[1].level_db, abs=1e-6) for d in devices} == before


@untimed
@given(venues(), st.sampled_from([-50.0, 50.0]))
def test_the_step_that_a_refusal_names_is_possible(venue, by_db):
    rooms, devices, limits = venue
    outlook = outlook_of(rooms, devices, level_limits_db=limits)
    with pytest.raises(Refused) as refusal:
        plan_level(outlook, HALL, up(by_db))
    named = refusal.value.remedy.partition(" is possible")[0]
    if refusal.value.remedy.startswith(("+", "-")) and "coherent" not in str(refusal.value):
        assert plan_level(outlook, HALL, up(float(named))).kind == "level"


@untimed
@given(venues(), st.floats(-60, 10))
def test_an_absolute_level_is_had_by_all_or_by_none(venue, to_db):
    rooms, devices, limits = venue
    outlook = outlook_of(rooms, devices, level_limits_db=limits)
    try:
        plan = plan_level(outlook, HALL, LevelMove(to_db=to_db))
    except Refused:
        return
    carry_out(plan, devices)
    for p in rooms[0].positions.values():
        device = next(d for d in devices if d.id == p.device)
        level_db, between = device.live.outputs[1].level_db, p.between["level_db"]
        assert between.low - 1e-6 <= level_db <= between.high + 1e-6
        assert abs(level_db - to_db) <= device.description.outputs[0].level_db.step / 2 + 1e-6


# words and decisions


def refused(outlook, move, scope=HALL):
    with pytest.raises(Refused) as refusal:
        plan_level(outlook, scope, move)
    return str(refusal.value)


def test_one_position_at_its_end_refuses_all_and_the_possible_step_is_named():
    room = hall(ranged("left", "box-1"), ranged("right", "box-2"))
    outlook = outlook_of([room], [at(-10, "box-1"), at(-5, "box-2")])
    words = refused(outlook, up(3))
    assert words == "right would be at -2 dB, outside its range of -20 to -4 dB. +1 is possible for all of them."


def test_a_ceiling_and_one_of_guests_are_told_apart():
    room = hall(ranged(ceiling_db=-8))
    assert "above its ceiling of -8 dB. +2 is possible." in refused(outlook_of([room], [at(-10)]), up(3))
    guests = outlook_of([room], [at(-10)], level_limits_db={"hall": -9.0})
    assert "above the ceiling of the guests in the room of -9 dB. +1 is possible." in refused(guests, up(2))


def test_a_level_above_a_ceiling_may_go_down_though_not_below_it():
    outlook = outlook_of([hall(ranged())], [at(-6)], level_limits_db={"hall": -12.0})
    assert levels_of(plan_level(outlook, HALL, up(-2))) == {"box-1": -8.0}


def test_a_level_outside_of_its_range_is_first_brought_back():
    words = refused(outlook_of([hall(ranged())], [at(-30)]), up(1))
    assert "left is at -30 dB, outside its range of -20 to -4 dB" in words
    assert "fleet apply hall" in words
    assert levels_of(plan_level(outlook_of([hall(ranged())], [at(-30)]), HALL, LevelMove(to_db=-20))) == {
        "box-1": -20.0
    }


def test_members_of_a_coherent_set_move_alike_or_not_at_all():
    room = hall(ranged("left", "box-1"), ranged("right", "box-2"), together={"pair": ["left", "right"]})
    outlook = outlook_of([room], [at(-10, "box-1"), with_step(at(-11, "box-2"), 3.0)])
    assert "would not move alike: their steps are 0.5 dB and 3 dB" in refused(outlook, up(2))
    assert levels_of(plan_level(outlook, HALL, up(3))) == {"box-1": -7.0, "box-2": -8.0}


def test_one_position_of_a_coherent_set_takes_the_others_along():
    room = hall(ranged("left", "box-1"), ranged("right", "box-2"), together={"pair": ["left", "right"]})
    outlook = outlook_of([room], [at(-10, "box-1"), at(-9, "box-2")])
    plan = plan_level(outlook, Scope(rooms=("hall",), position="left"), up(1))
    assert levels_of(plan) == {"box-1": -9.0, "box-2": -8.0}
    assert any("goes with left" in note for note in plan.notes)


def test_a_step_smaller_than_the_devices_is_refused_with_its_own():
    outlook = outlook_of([hall(ranged())], [with_step(at(-10), 1.0)])
    assert refused(outlook, up(0.3)) == "left moves in steps of 1 dB. Write +1."


@pytest.mark.parametrize("move", [LevelMove(), LevelMove(by_db=1, to_db=-10)])
def test_neither_and_both_of_step_and_level_are_a_mistake(move):
    with pytest.raises(BadInput):
        plan_level(outlook_of([hall(ranged())], [at(-10)]), HALL, move)


def test_no_guard_asks_for_a_whole_room_that_gets_much_louder_in_steps():
    room = hall(*(ranged(f"p-{n}", f"box-{n}") for n in range(4)))
    plan = plan_level(outlook_of([room], [at(-20, f"box-{n}") for n in range(4)]), HALL, up(16))
    assert plan.guards == ()
    assert max(len(p.work) for p in plan.devices) == 6


def test_life_safety_and_conflicting_devices_are_never_turned():
    horn = position("horn", "amp-1", output=2, life_safety=True)
    room = hall(ranged("left", "amp-1"), horn)
    amp = device_of("amp-1", "amp", live={1: OutputSettings(level_db=-10)})
    plan = plan_level(outlook_of([room], [amp]), HALL, up(0))
    assert plan.devices == ()
    hits = plan_level(outlook_of([room], [amp]), HALL, up(1)).guards
    assert [(hit.guard, hit.may_allow) for hit in hits] == [("life-safety", False)]
    conflicting = outlook_of([hall(ranged())], [at(-10)], conflicting={"box-1": "another serial"})
    left = plan_level(conflicting, HALL, up(1)).left_out
    assert [(x.position, x.unable) for x in left] == [("left", True)]


@pytest.mark.parametrize(
    ("by_db", "who", "guards"), [(-1, "ines", []), (1, "ines", ["hold"]), (1, "tom", []), (-1, "tom", [])]
)
def test_on_hold_anybody_turns_down_and_the_holder_up(by_db, who, guards):
    outlook = outlook_of([hall(ranged())], [at(-10)], held={"hall": "tom, until 23:00"}, holders={"hall": "tom"})
    assert [hit.guard for hit in plan_level(outlook, HALL, up(by_db, who=who)).guards] == guards


def test_a_mixed_move_of_a_room_on_hold_is_a_rise():
    room = hall(ranged("left", "box-1"), ranged("right", "box-2"))
    outlook = outlook_of([room], [at(-10, "box-1"), at(-14, "box-2")], held={"hall": "tom"}, holders={"hall": "tom"})
    assert [hit.guard for hit in plan_level(outlook, HALL, LevelMove(to_db=-12, who="ines")).guards] == ["hold"]


# what stands


def test_a_plan_says_what_was_chosen_before_and_what_is_then():
    outlook = outlook_of([hall(ranged())], [at(-10)], levels={"hall/left": chosen(-10.0)})
    plan = plan_level(outlook, HALL, up(2))
    assert (plan.was.levels_db, plan.then.levels_db) == ({"hall/left": -10.0}, {"hall/left": -8.0})
    assert plan.was.chosen == {"hall/left": chosen(-10.0)}
    assert plan.then.chosen == {}


def end(back_db=-10.0, before=None):
    stood = {"hall/left": before} if before else {}
    return LevelEnd(change="c-1", room="hall", until=NOW, who="ines", back_db={"hall/left": back_db}, chosen=stood)


def test_an_end_goes_back_into_the_range_of_today():
    narrower = hall(ranged(between=Between(low=-9, high=-4)))
    outlook = outlook_of([narrower], [at(-6)], levels={"hall/left": chosen(-6.0)})
    assert levels_of(plan_level_end(outlook, end())) == {"box-1": -9.0}


def test_an_end_leaves_alone_what_somebody_chose_since():
    outlook = outlook_of([hall(ranged())], [at(-6)], levels={"hall/left": chosen(-6.0, change="c-2")})
    assert plan_level_end(outlook, end()).empty()


def test_an_end_gives_the_choice_back_to_whoever_had_made_it():
    tom = chosen(-10.0, change="c-0", who="tom")
    outlook = outlook_of([hall(ranged())], [at(-6)], levels={"hall/left": chosen(-6.0)})
    assert plan_level_end(outlook, end(before=tom)).then.chosen == {"hall/left": tom}


# recall and apply


def slotted(level_db=-6.0, **other):
    fixed = OutputSettings(polarity="normal")
    return hall(replace(ranged(), fixed=fixed, slots={"*": 5}, **other)), [at(level_db, active_slot=3)]


def test_a_recall_and_an_apply_that_recalls_keep_the_chosen_level():
    room, devices = slotted()
    for plan_of in (plan_recall, plan_apply):
        outlook = outlook_of([room], devices, levels={"hall/left": chosen(-15.0)})
        assert levels_of(plan_of(outlook, HALL)) == {"box-1": -15.0}
        assert levels_of(plan_of(outlook_of([room], devices), HALL)) == {"box-1": -6.0}


def test_an_apply_finds_nothing_to_do_inside_of_a_range():
    room = hall(ranged())
    assert plan_apply(outlook_of([room], [at(-6)], levels={"hall/left": chosen(-15.0)}), HALL).empty()


@pytest.mark.parametrize(("level_db", "expected_db"), [(-30.0, -20.0), (0.0, -4.0), (-15.0, -15.0)])
def test_a_chosen_level_that_a_new_range_excludes_is_brought_inside(level_db, expected_db):
    room, devices = slotted()
    outlook = outlook_of([room], devices, levels={"hall/left": chosen(level_db)})
    assert levels_of(plan_recall(outlook, HALL)) == {"box-1": expected_db}


def test_a_chosen_level_comes_back_no_louder_than_guests_may_have_it():
    room, devices = slotted(-15.0)
    outlook = outlook_of([room], devices, levels={"hall/left": chosen(-5.0)}, level_limits_db={"hall": -9.0})
    plan = plan_recall(outlook, HALL)
    assert levels_of(plan) == {"box-1": -9.0}
    assert "ceiling" not in [hit.guard for hit in plan.guards]


def test_a_recall_takes_the_level_of_the_slot_where_that_is_asked_for_inside_of_the_range():
    room, devices = slotted(-15.0)
    outlook = outlook_of([room], devices, levels={"hall/left": chosen(-10.0)})
    plan = plan_recall(outlook, HALL, levels_from_slot=True)
    assert levels_of(plan) == {"box-1": -4.0}, "the slot holds 0 dB"
    assert plan.then.levels_db == {"hall/left": None}


# each mode has its own


@pytest.mark.parametrize(("room", "position", "mode"), [("hall", "left", "house"), ("hall", "left", "night-2")])
def test_what_a_level_stands_by_tells_its_place_and_mode(room, position, mode):
    assert level_place(level_key(room, position, mode)) == (room, position, mode)


def test_a_level_without_a_mode_stands_by_the_full_name_of_its_position():
    assert level_key("hall", "left", "house") == "hall/left"
    assert level_key("hall", "left", "night") == "hall/left@night"


@pytest.mark.parametrize(("mode", "expected_db"), [("house", -10.0), ("night", -16.0)])
def test_a_recall_brings_the_level_chosen_in_the_mode_of_the_room(mode, expected_db):
    room, devices = slotted(-12.0)
    at_night = replace(chosen(-16.0), mode="night")
    levels = {"hall/left": chosen(-10.0), at_night.key: at_night}
    outlook = outlook_of([replace(room, mode=mode)], devices, levels=levels)
    assert levels_of(plan_recall(outlook, HALL)) == {"box-1": expected_db}


def test_an_end_in_another_mode_has_the_level_from_before_standing_and_touches_no_device():
    room = replace(hall(ranged()), mode="night")
    outlook = outlook_of([room], [at(-15.0)], levels={"hall/left": chosen(-7.0)})
    plan = plan_level_end(outlook, end())
    assert (plan.devices, plan.left_out) == ((), ())
    assert plan.then.levels_db == {"hall/left": -10.0}


def test_an_end_of_a_position_that_is_no_more_leaves_nothing_standing():
    outlook = outlook_of([hall(ranged("right"))], [at(-15.0)], levels={"hall/left": chosen(-7.0)})
    plan = plan_level_end(outlook, end())
    assert (plan.devices, plan.then.levels_db) == ((), {"hall/left": None})
