"""What a store does besides the slots: a power cut comes back right, what cannot be verified is said, no hurry."""

from __future__ import annotations

from dataclasses import replace

import pytest
from samples_plans import FLAT, HALL, MODELS, carry_out, device_of, hall, outlook_of, position

from fleet.model.description import PowerUp
from fleet.model.plan import Phase
from fleet.model.settings import DeviceSettings, OutputSettings, SlotContents
from fleet.reconcile.compare import compare
from fleet.reconcile.plans import plan_apply
from fleet.reconcile.power_up import wakes_in
from fleet.reconcile.store_plans import plan_store

AS_IT_WAS = PowerUp(behaviour="last_state")
FIXED = PowerUp(behaviour="default_slot", slot=1)
CHOSEN = PowerUp(behaviour="default_slot", slot=1, slot_settable=True)


def box(power_up=CHOSEN, model="full", **other):
    device = device_of("box-1", model, **other)
    device.description = replace(device.description, power_up=power_up)
    return device


def house(**other):
    return hall(position("left", "box-1", **{"fixed": OutputSettings(level_db=-6.0), "slots": {"*": 5}, **other}))


def stored(device, room=None):
    plan = plan_store(outlook_of([room or house()], [device]), HALL)
    carry_out(plan, [device])
    return plan


def test_a_store_sets_the_slot_to_power_up_in_and_a_power_cut_ends_in_it():
    device = box()
    plan = stored(device)
    assert plan.devices[0].work[Phase.SET].settings == DeviceSettings(power_up_slot=5)
    assert wakes_in(device.description, device.live) == 5
    assert plan.afterwards == ()
    assert plan_store(outlook_of([house()], [device]), HALL).empty()


def test_what_a_store_sets_is_no_difference_later_and_an_apply_leaves_it():
    device = box(live={1: OutputSettings(level_db=-6.0)}, active_slot=5)
    room = house(fixed=replace(FLAT, level_db=-6.0))
    stored(device, room)
    outlook = outlook_of([room], [device])
    found = compare([(outlook.wants["box-1"], outlook.reported["box-1"])])
    assert (found.differences, found.notes) == ((), ())
    assert plan_apply(outlook, HALL).empty()


def test_a_store_of_a_whole_room_asks_nothing_since_nothing_of_it_sounds():
    rooms = [hall(*(replace(house().positions["left"], name=f"p-{n}", device=f"box-{n}") for n in range(1, 5)))]
    plan = plan_store(outlook_of(rooms, [device_of(f"box-{n}") for n in range(1, 5)]), HALL)
    assert (len(plan.devices), plan.guards) == (4, ())


def test_what_the_file_says_of_the_power_up_slot_wins_and_where_it_ends_is_said():
    device = box()
    plan = stored(device, house(power_up_slot=4))
    assert device.live.power_up_slot == 4
    assert plan.afterwards == (
        "after a power cut left (box-1) comes back in slot 4, not in its house-curve slot 5; "
        "`fleet recall hall` brings it back",
    )


def test_a_box_that_comes_back_as_it_was_needs_nothing():
    plan = stored(box(AS_IT_WAS))
    assert [set(part.work) for part in plan.devices] == [{Phase.STORE}]
    assert plan.afterwards == ()


def test_a_box_whose_slot_cannot_be_chosen_is_named_with_the_way_back_each_time():
    device = box(FIXED)
    words = (
        "after a power cut left (box-1) comes back in slot 1, which cannot be changed, not in its house-curve slot 5; "
        "`fleet recall hall` brings it back",
    )
    assert stored(device).afterwards == words
    again = stored(device)
    assert (again.empty(), again.afterwards) == (True, words)


def test_a_box_whose_slots_do_not_store_everything_is_named_with_what_is_lost():
    device = box()
    device.description = replace(device.description, slots=replace(MODELS["full"].slots, stores=("level_db",)))
    plan = stored(device, house(fixed=OutputSettings(level_db=-6.0, delay_ms=4.0)))
    assert plan.afterwards == (
        "after a power cut left (box-1) comes back without its delay, which its slots do not store; "
        "`fleet recall hall` brings it back",
    )


@pytest.mark.parametrize(("active", "said"), [(3, True), (5, False)])
def test_a_slot_that_cannot_be_read_is_said_to_be_unverified(active, said):
    plan = stored(box(model="closed", active_slot=active))
    assert plan.afterwards == (
        ("slot 5 of box-1 could not be verified: it does not tell what it holds",) if said else ()
    )
    assert bool(plan.notes) is said


def test_a_store_too_soon_is_refused_with_the_time_and_nothing_else_is():
    words = "were written at 14:00:00 and may be again from 14:00:30 on"
    outlook = outlook_of([house()], [box()], too_soon={"box-1": words})
    (hit,) = plan_store(outlook, HALL).guards
    assert (hit.guard, hit.words, hit.may_allow) == ("store-too-soon", f"the slots of box-1 {words}", False)
    assert plan_apply(outlook, HALL).guards == ()


def test_a_box_whose_slot_is_right_is_never_too_soon():
    right = SlotContents(slot=5, outputs={1: replace(FLAT, level_db=-6.0)})
    outlook = outlook_of([house()], [box(AS_IT_WAS, slots={5: right})], too_soon={"box-1": "x"})
    assert plan_store(outlook, HALL).guards == ()


# what a diff tells


@pytest.mark.parametrize(
    ("power_up", "chosen", "given", "told"),
    [
        (AS_IT_WAS, None, None, []),
        (CHOSEN, 5, None, []),
        (CHOSEN, 1, None, ["comes back in slot 1, not in its house-curve slot 5 after a power cut"]),
        (CHOSEN, 1, 5, []),
        (CHOSEN, 4, 4, ["comes back in slot 4, not in its house-curve slot 5 after a power cut"]),
        (FIXED, None, None, ["comes back in slot 1, which cannot be changed, not in its house-curve slot 5"]),
    ],
)
def test_a_diff_notes_where_a_power_cut_would_end(power_up, chosen, given, told):
    device = box(power_up, live={1: OutputSettings(level_db=-6.0)}, wide={"power_up_slot": chosen})
    outlook = outlook_of([house(power_up_slot=given)], [device])
    found = compare([(outlook.wants["box-1"], outlook.reported["box-1"])])
    words = [n.words for n in found.notes if "comes back" in n.words]
    assert len(words) == len(told)
    assert all(have.startswith(want.removesuffix(" after a power cut")) for have, want in zip(words, told, strict=True))
    assert any(d.setting == "power_up_slot" for d in found.differences) is (given is not None and given != chosen)
