"""The plans of mutes: all that sounds and may be written to, at once; and back again what we muted, and only that."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from samples_plans import HALL, carry_out, device_of, hall, outlook_of, position

from fleet.errors import BadInput, NotFound
from fleet.model.plan import Phase
from fleet.model.settings import OutputSettings
from fleet.model.standing import OurMute
from fleet.reconcile.mutes import plan_mute, plan_unmute
from fleet.reconcile.plans import plan_recall
from fleet.reconcile.scope import Scope

NOW = datetime(2031, 5, 17, 12, tzinfo=UTC)


def at(name="box-1", level_db=-10.0, causes=(), **other):
    return device_of(name, live={1: OutputSettings(level_db=level_db)}, causes={1: set(causes)}, **other)


def silent(name="box-1", *, also=(), **other):
    return at(name, causes=("controller", *also), **other)


def ours(name, device, change="c-1", minutes=0, who="ana"):
    when = NOW + timedelta(minutes=minutes)
    mute = OurMute(room="hall", position=name, device=device, output=1, at=when, who=who, change=change)
    return {mute.key: mute}


def scene(devices, *positions, **other):
    return outlook_of([hall(*positions, together=other.pop("together", {}))], devices, **other)


LEFT, RIGHT, FILL = position("left", "box-1"), position("right", "box-2"), position("fill", "box-3")


def muted(plan):
    return {p.device: sorted(p.work[Phase.MUTE].settings.outputs) for p in plan.devices}


def test_what_sounds_is_muted_in_one_phase_and_what_is_silent_is_told():
    outlook = scene([at(), silent("box-2"), at("box-3")], LEFT, RIGHT, FILL)
    plan = plan_mute(outlook, HALL)
    assert muted(plan) == {"box-1": [1], "box-3": [1]}
    assert all(set(p.work) == {Phase.MUTE} for p in plan.devices)
    assert plan.notes == ("right is muted already",)
    assert plan.then.muted == {"hall/left": 1, "hall/fill": 1}
    assert plan.guards == ()


def test_nothing_asks_and_neither_hold_nor_guest_refuses_a_mute():
    outlook = scene(
        [at(), at("box-2"), at("box-3")],
        *(LEFT, RIGHT, FILL),
        held={"hall": "tom, until 18:00"},
        guests={"hall": "a choir, until 18:00"},
    )
    assert plan_mute(outlook, HALL).guards == ()


def test_life_safety_is_left_alone_and_said_also_on_a_shared_box():
    horn = position("horn", "box-9", life_safety=True)
    beside = position("beside", "amp-1", output=1)
    alarm = position("alarm", "amp-1", output=2, life_safety=True)
    outlook = scene([at(), at("box-9"), device_of("amp-1", "amp")], LEFT, horn, beside, alarm)
    plan = plan_mute(outlook, HALL)
    assert muted(plan) == {"box-1": [1]}
    assert {x.position: x.unable for x in plan.left_out} == {"horn": False, "alarm": False, "beside": False}
    assert all("serves life safety" in x.words for x in plan.left_out)
    assert plan.guards == ()


def test_a_dead_box_is_named_and_the_rest_of_its_set_is_muted_all_the_same():
    outlook = scene(
        [at(), at("box-2")],
        LEFT,
        RIGHT,
        together={"pair": ["left", "right"]},
        unreachable={"box-2": "box-2 is missing"},
    )
    plan = plan_mute(outlook, HALL)
    assert muted(plan) == {"box-1": [1]}
    assert [(x.position, x.unable, x.words) for x in plan.left_out] == [("right", True, "box-2 is missing")]


def test_one_of_a_coherent_set_is_muted_with_all_of_it():
    outlook = scene([at(), at("box-2"), at("box-3")], LEFT, RIGHT, FILL, together={"pair": ["left", "right"]})
    assert set(muted(plan_mute(outlook, replace(HALL, position="left")))) == {"box-1", "box-2"}
    assert set(muted(plan_mute(outlook, replace(HALL, position="fill")))) == {"box-3"}


def test_a_second_mute_has_nothing_to_do():
    outlook = scene([silent()], LEFT, mutes=ours("left", "box-1"))
    plan = plan_mute(outlook, HALL)
    assert (plan.empty(), plan.notes) == (True, ("left is muted already",))


# and back


def test_the_last_mute_is_taken_back_and_an_earlier_one_stays():
    mutes = ours("left", "box-1") | ours("right", "box-2", "c-2", minutes=5)
    outlook = scene([silent(), silent("box-2")], LEFT, RIGHT, mutes=mutes)
    plan = plan_unmute(outlook, HALL, "ana")
    assert [p.device for p in plan.devices] == ["box-2"]
    assert plan.undoes == "c-2"
    assert (plan.was.muted, plan.then.muted) == ({"hall/right": 1}, {"hall/right": None})
    assert plan.notes == ("1 more stay muted by an earlier mute: unmute again takes that back",)


def test_it_rises_in_steps_after_it_was_read_back_and_asks_nothing():
    device = silent()
    outlook = scene([device], LEFT, mutes=ours("left", "box-1"))
    plan = plan_unmute(outlook, HALL, "ana")
    phases = sorted(plan.devices[0].work)
    assert phases[:3] == [Phase.SET, Phase.UNMUTE, Phase.RAMP_1]
    assert plan.guards == ()
    carry_out(plan, [device])
    assert (device.causes[1], device.live.outputs[1].level_db) == (set(), -10.0)


@pytest.mark.parametrize("cause", ["panel", "external", "alarm"])
def test_what_others_muted_since_stays_muted_and_is_named(cause):
    device = silent(also=(cause,))
    plan = plan_unmute(scene([device], LEFT, mutes=ours("left", "box-1")), HALL, "ana")
    assert plan.devices == ()
    assert [x.words for x in plan.left_out] == [f"stays muted: {cause} mutes it as well since"]
    assert plan.empty()


def test_what_sounds_again_or_is_served_by_another_box_is_none_of_ours():
    mutes = ours("left", "box-1") | ours("right", "box-old")
    plan = plan_unmute(scene([at(), silent("box-2")], LEFT, RIGHT, mutes=mutes), HALL, "ana")
    assert (plan.empty(), plan.notes) == (True, ("nothing in hall is muted by this tool",))


def test_a_dead_box_is_left_out_and_named():
    mutes = ours("left", "box-1") | ours("right", "box-2")
    outlook = scene([silent(), silent("box-2")], LEFT, RIGHT, mutes=mutes, unreachable={"box-2": "box-2 is missing"})
    plan = plan_unmute(outlook, HALL, "ana")
    assert [p.device for p in plan.devices] == ["box-1"]
    assert [(x.position, x.unable) for x in plan.left_out] == [("right", True)]


def test_a_hold_refuses_all_but_its_holder():
    held = {"held": {"hall": "tom, until 18:00"}, "holders": {"hall": "tom"}}
    outlook = scene([silent()], LEFT, mutes=ours("left", "box-1"), **held)
    assert [g.guard for g in plan_unmute(outlook, HALL, "ana").guards] == ["hold"]
    assert plan_unmute(outlook, HALL, "tom").guards == ()


def test_a_ceiling_holds_also_for_a_level_that_was_there_already():
    outlook = scene([silent()], replace(LEFT, ceiling_db=-12), mutes=ours("left", "box-1"))
    (hit,) = plan_unmute(outlook, HALL, "ana").guards
    assert (hit.guard, hit.may_allow) == ("ceiling", False)


def test_a_mute_is_taken_back_as_a_whole():
    outlook = scene([silent()], LEFT, mutes=ours("left", "box-1"))
    with pytest.raises(BadInput, match="as a whole"):
        plan_unmute(outlook, replace(HALL, position="left"), "ana")
    with pytest.raises(NotFound):
        plan_unmute(outlook, Scope(rooms=("cellar",)), "ana")


def test_a_recall_that_lets_it_sound_again_ends_the_mute():
    wanted = replace(LEFT, fixed=OutputSettings(mute=False, level_db=-10.0), slots={"Tarn 12": 5})
    outlook = scene([silent()], wanted, mutes=ours("left", "box-1"))
    assert plan_recall(outlook, HALL).then.muted == {"hall/left": None}
    unmanaged = scene([silent()], replace(wanted, fixed=OutputSettings(level_db=-10.0)), mutes=ours("left", "box-1"))
    assert plan_recall(unmanaged, HALL).then.muted == {}
