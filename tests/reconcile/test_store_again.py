"""After a recall: which slots do not hold the house curve, and the command that stores it again."""

from __future__ import annotations

from dataclasses import replace

import pytest
from parts import venue_of
from samples_plans import FLAT, HALL, device_of, hall, outlook_of, position

from fleet.errors import NotFound
from fleet.model.settings import OutputSettings, SlotContents
from fleet.reconcile.plans import plan_apply, plan_recall
from fleet.reconcile.scope import Scope
from fleet.reconcile.store_again import offers, store_commands
from fleet.reconcile.store_plans import plan_store

OVERWRITTEN = {5: SlotContents(slot=5, outputs={1: replace(FLAT, level_db=-30.0)})}
NAMES = ("left", "right", "fill", "rear")


def a_room():
    fixed = OutputSettings(level_db=-6.0)
    positions = [position(n, f"box-{i}", fixed=fixed, slots={"*": 5}) for i, n in enumerate(NAMES, 1)]
    horn = position("horn", "box-9", life_safety=True)
    return hall(*positions, horn, together={"mains": ("left", "right")})


def boxes(*overwritten):
    right = {5: SlotContents(slot=5, outputs={1: replace(FLAT, level_db=-6.0)})}
    return [device_of(f"box-{i}", slots=OVERWRITTEN if i in overwritten else right) for i in range(1, 5)]


def test_a_recall_of_boxes_whose_slots_are_right_offers_nothing():
    plan = plan_recall(outlook_of([a_room()], boxes()), HALL)
    assert (plan.afterwards, plan.store_again) == ((), ())


def test_a_box_whose_slot_was_overwritten_is_brought_back_and_storing_it_again_is_offered():
    plan = plan_recall(outlook_of([a_room()], boxes(4)), HALL)
    assert [part.after.live.outputs[1].level_db for part in plan.devices] == [-6.0] * 4
    assert plan.store_again == (("hall", "rear"),)
    assert plan.afterwards == (
        "the house-curve slot of rear does not hold what it should: `fleet store hall --position rear` stores it again",
    )


def test_the_offer_stands_too_where_there_is_nothing_to_recall():
    devices = boxes(4)
    for device in devices:
        device.active_slot = 5
        device.live = replace(device.live, outputs={1: replace(FLAT, level_db=-6.0)})
    plan = plan_recall(outlook_of([a_room()], devices), HALL)
    assert (plan.empty(), plan.store_again) == (True, (("hall", "rear"),))


@pytest.mark.parametrize(
    ("names", "command"),
    [
        (("rear",), "fleet store hall --position rear"),
        (("rear", "fill"), "fleet store hall --position fill --position rear"),
        (("right", "left"), "fleet store hall --group mains"),
        (NAMES, "fleet store hall"),
    ],
)
def test_the_command_is_as_short_as_it_can_be(names, command):
    places = [("hall", name) for name in names]
    assert store_commands(venue_of(a_room()), places) == (command,)
    assert command in offers(venue_of(a_room()), places)[0]


def test_each_room_has_its_own_command():
    venue = venue_of(a_room(), hall(position("desk", "box-8", room="bar"), name="bar"))
    assert store_commands(venue, [("hall", "rear"), ("bar", "desk")]) == (
        "fleet store bar",
        "fleet store hall --position rear",
    )


# several positions by name


def test_a_scope_of_several_positions_is_exactly_these_with_their_sets():
    devices = boxes(1, 2, 3, 4)
    some = replace(HALL, positions=frozenset({"rear", "left"}))
    plan = plan_store(outlook_of([a_room()], devices), some)
    assert plan.scope == "hall, positions left, rear"
    assert [part.device for part in plan.devices] == ["box-1", "box-2", "box-4"]


def test_an_unknown_one_among_them_is_named():
    with pytest.raises(NotFound, match="no position attic in hall"):
        plan_apply(outlook_of([a_room()], boxes()), Scope(rooms=("hall",), positions=frozenset({"rear", "attic"})))
