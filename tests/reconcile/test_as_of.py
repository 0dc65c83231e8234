"""Bringing positions back to what was found or desired at a moment."""

from __future__ import annotations

from dataclasses import replace

import pytest
from parts import venue_of
from samples_plans import FLAT, HALL, carry_out, device_of, hall, outlook_of, position

from fleet.errors import NotFound, Refused
from fleet.model.plan import Phase
from fleet.model.settings import Band, Crossover, DeviceSettings, OutputSettings, SlotContents
from fleet.reconcile.as_of import as_bound, plan_as_desired, plan_as_found, room_then
from fleet.reconcile.representable import representable
from fleet.reconcile.scope import Scope
from fleet.reconcile.wanted_devices import wanted_devices

EVENING = OutputSettings(
    level_db=-9.0,
    polarity="inverted",
    delay_ms=5.0,
    eq=(Band(shape="bell", frequency_hz=400, gain_db=-3, q=1.0),),
    high_pass=Crossover(family="linkwitz_riley", slope_db_per_octave=24, frequency_hz=90),
    low_pass="none",
)


def a_hall():
    return hall(position("left", "box-1", fixed=FLAT), position("right", "box-2", fixed=FLAT))


def two_boxes(**other):
    return [device_of("box-1", **other), device_of("box-2", **other)]


def found(devices):
    return {d.id: d.reported() for d in devices}


def test_everything_that_is_heard_goes_back_to_what_was_found():
    then = found(two_boxes(live={1: EVENING}, wide={"input": "analogue"}))
    now = two_boxes()
    plan = plan_as_found(outlook_of([a_hall()], now), HALL, then, when="s-1")
    assert (plan.kind, plan.scope, plan.rooms) == ("recall", "hall, as of s-1", ("hall",))
    carry_out(plan, now)
    for device in now:
        live = device.reported().state.live
        assert live.input == "analogue"
        assert live.outputs[1].only(EVENING.given()) == representable(
            device.description, DeviceSettings(outputs={1: EVENING})
        ).outputs[1].only(EVENING.given())
    assert plan_as_found(outlook_of([a_hall()], now), HALL, then, when="s-1").empty()


def test_the_differences_told_are_those_from_what_was_found_and_not_from_what_is_desired():
    plan = plan_as_found(outlook_of([a_hall()], two_boxes()), HALL, found(two_boxes(live={1: EVENING})))
    levels = [d.words for d in plan.differences if d.position == "left" and d.setting == "level_db"]
    assert levels == ["9 dB louder than wanted"]


def test_the_active_slot_goes_back_too_and_its_contents_are_not_taken_for_granted():
    then = found(two_boxes(live={1: EVENING}, active_slot=5))
    now = two_boxes(slots={5: SlotContents(slot=5, outputs={1: replace(FLAT, level_db=-30.0)})})
    plan = plan_as_found(outlook_of([a_hall()], now), HALL, then)
    assert all(part.work[Phase.RECALL].recall == 5 for part in plan.devices)
    carry_out(plan, now)
    assert [(d.active_slot, d.live.outputs[1].level_db) for d in now] == [(5, -9.0), (5, -9.0)]


def test_a_slot_is_not_recalled_where_another_position_hangs_on_it():
    amp = device_of("amp-1", "amp", active_slot=3)
    rooms = [hall(position("line", "amp-1")), hall(position("bar", "amp-1", room="bar", output=2), name="bar")]
    then = found([device_of("amp-1", "amp", active_slot=5, live={1: replace(FLAT, level_db=-9.0)})])
    plan = plan_as_found(outlook_of(rooms, [amp]), HALL, then)
    assert plan.notes == ("amp-1 was in slot 5 and stays in its own: not all of it is in what was asked for",)
    carry_out(plan, [amp])
    assert (amp.active_slot, amp.live.outputs[1].level_db, amp.live.outputs[2].level_db) == (3, -9.0, 0.0)


def test_our_mute_ends_what_others_muted_stays():
    then = found(two_boxes())
    now = two_boxes()
    now[0].causes[1], now[1].causes[1] = {"panel"}, {"alarm"}
    plan = plan_as_found(outlook_of([a_hall()], now), HALL, then)
    assert [hit.guard for hit in plan.guards] == ["rise"]
    carry_out(plan, now)
    assert [d.causes[1] for d in now] == [set(), {"alarm"}]


@pytest.mark.parametrize(("cause", "muted"), [("controller", True), ("panel", True), ("external", False)])
def test_what_was_muted_then_is_muted_again_only_where_the_mute_was_ours_or_the_panels(cause, muted):
    before = two_boxes()
    before[0].causes[1] = {cause}
    now = two_boxes()
    carry_out(plan_as_found(outlook_of([a_hall()], now), HALL, found(before)), now)
    assert now[0].reported().state.output(1).mute is muted


def test_boxes_that_cannot_go_back_are_left_out_and_named():
    devices = [device_of("box-1"), device_of("box-2"), device_of("box-3", "bare"), device_of("box-4")]
    room = hall(*(position(f"place-{n}", f"box-{n}") for n in range(1, 5)))
    then = {**found(two_boxes(live={1: EVENING})), "box-3": device_of("box-3").reported()}
    plan = plan_as_found(outlook_of([room], devices, unreachable={"box-2": "is silent"}), HALL, then)
    assert {x.position: (x.words, x.unable) for x in plan.left_out} == {
        "place-2": ("is silent", True),
        "place-3": ("box-3 is a Scree 5; a Tarn 12 was there then", False),
        "place-4": ("nothing was read of box-4 then, or it was not here", False),
    }
    assert [part.device for part in plan.devices] == ["box-1"]


def test_a_set_is_not_left_half_changed():
    room = hall(position("left", "box-1"), position("right", "box-2"), position("fill", "box-3"))
    room = hall(*room.positions.values(), together={"mains": ("left", "right")})
    devices = [*two_boxes(), device_of("box-3")]
    then = found([device_of("box-1", live={1: EVENING}), device_of("box-3", live={1: EVENING})])
    plan = plan_as_found(outlook_of([room], devices), HALL, then)
    assert [part.device for part in plan.devices] == ["box-3"]
    assert {x.position for x in plan.left_out} == {"left", "right"}


def test_a_new_output_of_an_amplifier_is_left_out():
    amp = device_of("amp-1", "amp")
    room = hall(position("line-a", "amp-1"), position("line-b", "amp-1", output=2))
    before = amp.reported()
    first_only = replace(before.state.live, outputs={1: replace(FLAT, level_db=-9.0)})
    then = {"amp-1": replace(before, state=replace(before.state, live=first_only))}
    plan = plan_as_found(outlook_of([room], [amp]), HALL, then)
    assert {x.position: x.words for x in plan.left_out} == {"line-b": "amp-1 had no output 2 then"}
    carry_out(plan, [amp])
    assert [amp.live.outputs[n].level_db for n in (1, 2)] == [-9.0, 0.0]


def test_todays_ceiling_and_hold_refuse_it():
    room = hall(position("left", "box-1", ceiling_db=-3.0))
    then = found([device_of("box-1")])
    now = [device_of("box-1", live={1: replace(FLAT, level_db=-20.0)})]
    plan = plan_as_found(outlook_of([room], now, held={"hall": "ines, until late"}), HALL, then)
    assert [(hit.guard, hit.may_allow) for hit in plan.guards] == [("hold", False), ("ceiling", False), ("rise", True)]


def test_life_safety_is_left_alone():
    room = hall(position("horn", "box-1", life_safety=True), position("left", "box-2"))
    plan = plan_as_found(outlook_of([room], two_boxes()), HALL, found(two_boxes(live={1: EVENING})))
    assert [part.device for part in plan.devices] == ["box-2"]


def test_what_cannot_go_back_at_all_is_refused_with_the_reason():
    with pytest.raises(Refused, match=r"nothing of hall can be brought back: nothing was read of box-1 then"):
        plan_as_found(outlook_of([a_hall()], two_boxes()), HALL, {})
    with pytest.raises(NotFound, match="no room"):
        plan_as_found(outlook_of([a_hall()], two_boxes()), Scope(rooms=("attic",)), {})


# which box is in whose place


def test_a_swapped_box_gets_what_its_predecessor_had():
    before = venue_of(hall(position("left", "box-9"), position("right", "box-2")))
    old = device_of("box-9", live={1: EVENING})
    then = as_bound(a_hall(), before, [old.reported(), device_of("box-2").reported(), device_of("box-1").reported()])
    now = two_boxes()
    plan = plan_as_found(outlook_of([a_hall()], now), HALL, then)
    assert plan.notes == ("box-1 (TN-box-1) stands where box-9 (TN-box-9) was then: it gets that one's settings",)
    carry_out(plan, now)
    assert [d.live.outputs[1].level_db for d in now] == [-9.0, 0.0]


def test_exchanged_boxes_get_what_their_places_had():
    before = venue_of(hall(position("left", "box-2"), position("right", "box-1")))
    loud, soft = (device_of(f"box-{n}", live={1: OutputSettings(level_db=level)}) for n, level in ((1, 0.0), (2, -9.0)))
    then = as_bound(a_hall(), before, [loud.reported(), soft.reported()])
    assert [then[d].state.id for d in ("box-1", "box-2")] == ["box-2", "box-1"]


def test_a_box_that_was_not_in_the_room_gets_nothing():
    before = venue_of(hall(position("left", "box-1")))
    then = as_bound(a_hall(), before, [d.reported() for d in two_boxes()])
    assert set(then) == {"box-1"}


def test_a_box_whose_predecessor_was_not_read_gets_nothing():
    before = venue_of(hall(position("left", "box-9"), position("right", "box-2")))
    assert set(as_bound(a_hall(), before, [d.reported() for d in two_boxes()])) == {"box-2"}


def test_without_a_version_of_then_boxes_are_who_they_are():
    assert set(as_bound(a_hall(), None, [d.reported() for d in two_boxes()])) == {"box-1", "box-2"}


# what was desired


def desired_then(then, devices, now=None):
    room, absent = room_then(now or a_hall(), then)
    descriptions = {d.id: d.description for d in devices}
    wants, wrong = wanted_devices(venue_of(room), sorted(descriptions), descriptions, representable)
    return wants, {d: str(e) for d, e in wrong.items()}, absent


def test_what_was_desired_is_written_live_and_no_slot_is_touched():
    now = two_boxes()
    then = hall(*(position(n, d, fixed=EVENING, slots={"*": 5}) for n, d in (("left", "box-9"), ("right", "box-2"))))
    plan = plan_as_desired(outlook_of([a_hall()], now), HALL, *desired_then(then, now), when="2031-05-01")
    assert plan.scope == "hall, as of 2031-05-01"
    assert not any({Phase.RECALL, Phase.STORE} & set(part.work) for part in plan.devices)
    carry_out(plan, now)
    assert [d.live.outputs[1].level_db for d in now] == [-9.0, -9.0]
    assert not [d for d in now if d.active_slot != 3]


def test_a_position_of_later_and_a_device_that_cannot_are_left_out_and_named():
    room = hall(position("left", "box-1"), position("right", "box-2"), position("fill", "box-3"))
    now = [*two_boxes(), device_of("box-3", "bare")]
    then = hall(position("left", "box-1", fixed=EVENING), position("fill", "box-3", fixed=EVENING))
    plan = plan_as_desired(outlook_of([room], now), HALL, *desired_then(then, now, room))
    words = {x.position: x.words for x in plan.left_out}
    assert words["right"] == "there was no such position then"
    assert "box-3" in words["fill"]
    assert [part.device for part in plan.devices] == ["box-1"]
