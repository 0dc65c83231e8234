"""Guard rails: each with a case it stops and one that just passes. The limits are the design's; no published source."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import get_args

import pytest
from parts import bell, crossover, output_of
from samples_plans import FLAT, SLOTS, device_of, device_plan, hall, outlook_of, position

from fleet.model.plan import GuardHit, GuardName, Phase, Work
from fleet.model.settings import DeviceSettings, OutputSettings, SlotContents
from fleet.model.venue import Venue
from fleet.reconcile.guards import GUARDS, guard_hits, louder, unlifted
from fleet.reconcile.reach import Goal
from fleet.reconcile.rises import rises_db
from fleet.reconcile.situation import Situation
from fleet.services.change_refusals import refusal

LEFT = (("hall", "left"),)


def situation_of(devices, *rooms, **other):
    return Situation(
        **{
            "venue": Venue(name="Weir", time_zone="UTC", rooms={r.name: r for r in rooms}),
            "reported": {d.id: d.reported() for d in devices},
            "in_scope": frozenset({("hall", "left")}),
            "named_rooms": frozenset({"hall"}),
            **other,
        }
    )


def wide_hall(**left):
    """A room so large that one position is no more than half of it."""
    return hall(position("left", "box-1", **left), position("right", "box-2"), position("rear", "box-3"))


def hits(device, goal=None, *, room=None, situation=None, **live):
    """Names of the guards that a change of one device hits."""
    plan = device_plan(device, goal, positions=LEFT, **live)
    found = guard_hits([plan], situation or situation_of([device], room or wide_hall()))
    return [hit.guard for hit in found]


def box(level_db=-20.0, **other):
    live = {1: OutputSettings(level_db=level_db, **other.pop("settings", {}))}
    return device_of(live=live, **other)


# each guard, just stopped and just passed


def test_life_safety_on_any_output_of_a_device_refuses_first():
    device = device_of("amp-1", "amp")
    room = hall(position("left", "amp-1", ceiling_db=-30), position("horn", "amp-1", output=2, life_safety=True))
    situation = situation_of([device], room, conflicting={"amp-1": "another serial"})
    found = guard_hits([device_plan(device, positions=LEFT, level_db=5.0)], situation)
    assert [hit.guard for hit in found][:3] == ["life-safety", "conflicting", "ceiling"]
    assert (found[0].position, found[0].may_allow) == ("horn", False)
    assert found[0].words == "horn serves life safety: this tool never writes to it"
    beside = hall(position("left", "amp-1"), position("horn", "amp-9", life_safety=True), position("rear", "box-3"))
    assert hits(device, room=beside, level_db=-3.0) == []


def test_a_conflicting_device_refuses():
    device = box()
    stopped = situation_of([device], wide_hall(), conflicting={"box-1": "its serial has changed"})
    assert hits(device, situation=stopped, level_db=-21.0) == ["conflicting"]
    other = situation_of([device], wide_hall(), conflicting={"box-2": "its serial has changed"})
    assert hits(device, situation=other, level_db=-21.0) == []


@pytest.mark.parametrize(
    ("now_db", "wanted_db", "expected"),
    [
        (-8.0, -5.5, ["ceiling"]),
        (-8.0, -6.0, []),
        (-2.0, -4.0, []),
        (-4.0, -3.5, ["ceiling"]),
    ],
)
def test_a_level_above_its_ceiling_is_refused_unless_it_falls(now_db, wanted_db, expected):
    assert hits(box(now_db), room=wide_hall(ceiling_db=-6.0), level_db=wanted_db) == expected


def test_a_ceiling_says_both_levels():
    device = box(-8.0)
    plan = device_plan(device, positions=LEFT, level_db=-5.5)
    (hit,) = guard_hits([plan], situation_of([device], wide_hall(ceiling_db=-6.0)))
    assert hit.words == "left -5.5 dB is above its ceiling of -6 dB"


def test_a_room_on_hold_refuses_also_where_a_shared_device_reaches_into_it():
    device = device_of("amp-1", "amp")
    rooms = (
        hall(position("left", "amp-1"), position("right", "box-2"), position("rear", "box-3")),
        hall(position("counter", "amp-1", output=2, room="bar"), name="bar"),
    )
    plain = situation_of([device], *rooms)
    own = replace(plain, held={"hall": "a show until 23:00"})
    (hit,) = guard_hits([device_plan(device, positions=LEFT, level_db=-1.0)], own)
    assert (hit.guard, hit.words, hit.may_allow) == ("hold", "hall is on hold: a show until 23:00", False)
    other = replace(plain, held={"bar": "a show until 23:00"})
    assert hits(device, situation=other, level_db=-1.0) == []
    assert "hold" in hits(device, Goal(live=DeviceSettings(input="analogue")), situation=other)


def protected(high_pass):
    device = box(settings={"high_pass": high_pass})
    outputs = (output_of(protective_high_pass_hz=55),)
    device.description = replace(device.description, outputs=outputs)
    return device


@pytest.mark.parametrize(
    ("now", "wanted", "expected"),
    [
        (crossover(90), "none", ["protective-high-pass"]),
        (crossover(90), crossover(54), ["protective-high-pass"]),
        (crossover(90), crossover(55), []),
        (crossover(50), crossover(45), ["protective-high-pass"]),
        (crossover(45), crossover(50), []),
        ("none", crossover(40), []),
    ],
)
def test_a_protective_high_pass_is_neither_lowered_nor_removed(now, wanted, expected):
    # a wider high-pass rises in the bass; only this guard is looked at
    found = hits(protected(now), high_pass=wanted)
    assert [guard for guard in found if guard != "rise"] == expected


def test_a_recall_that_touches_another_room_needs_it_named():
    device = device_of("amp-1", "amp")
    rooms = (
        hall(position("left", "amp-1"), position("right", "box-2"), position("rear", "box-3")),
        hall(position("counter", "amp-1", output=2, room="bar"), name="bar"),
    )
    goal = Goal(recall=5, hold=frozenset({1, 2, 3}))
    both = frozenset({("hall", "left"), ("bar", "counter")})
    stopped = situation_of([device], *rooms, in_scope=both)
    plan = device_plan(device, goal, positions=LEFT)
    (hit,) = guard_hits([plan], stopped)
    assert (hit.guard, hit.room, hit.may_allow) == ("shared-device", "bar", False)
    named = replace(stopped, named_rooms=frozenset({"hall", "bar"}))
    assert guard_hits([plan], named) == ()
    assert hits(device, situation=stopped, level_db=-1.0) == []


@pytest.mark.parametrize(
    ("live", "expected"),
    [
        ({"level_db": -13.5}, ["rise"]),
        ({"level_db": -14.0}, []),
        ({"eq": (bell(gain_db=6.1, frequency_hz=1000),)}, ["rise"]),
        ({"eq": (bell(gain_db=6.0, frequency_hz=1000),)}, []),
        ({"level_db": -17.0, "eq": (bell(gain_db=3.5, frequency_hz=1000),)}, ["rise"]),
        ({"level_db": -17.0, "eq": (bell(gain_db=3.0, frequency_hz=1000),)}, []),
        ({"level_db": -12.0, "eq": (bell(gain_db=-10, q=0.3),)}, ["rise"]),
        ({"level_db": -30.0}, []),
    ],
)
def test_more_than_six_db_at_any_frequency_is_asked_for(live, expected):
    assert hits(box(), **live) == expected


def test_exactly_six_db_passes_whatever_the_equaliser_adds():
    eq = (bell(), bell(frequency_hz=180, gain_db=4.3, q=0.9), bell(frequency_hz=9000, gain_db=-7.7))
    for level_db in (-31.5, -20.0, -7.5, -0.5):
        device = box(level_db, settings={"eq": eq, "high_pass": crossover(90)})
        assert hits(device, level_db=level_db + 6.0) == []


def test_sound_from_a_muted_output_is_a_rise_without_bound():
    device = box(causes={1: {"panel"}})
    plan = device_plan(device, positions=LEFT, level_db=-40.0, mute=False)
    assert rises_db(plan, device.reported()) == {1: math.inf}
    assert hits(device, level_db=-40.0, mute=False) == ["rise"]
    assert louder([plan], situation_of([device], wide_hall())) == ("left will sound: it is muted now",)


@pytest.mark.parametrize("cause", ["panel", "alarm"])
def test_an_output_that_stays_muted_does_not_rise(cause):
    device = box(causes={1: {cause}})
    mute = None if cause == "panel" else False  # an alarm stays, though sound is desired
    assert hits(device, level_db=0.0, mute=mute) == []


def test_a_trusted_recall_is_not_asked_about_but_its_ceiling_is():
    device = box(slots={5: SlotContents(slot=5, outputs={1: OutputSettings(level_db=0.0)})})
    goal = Goal(live=DeviceSettings(outputs={1: OutputSettings(level_db=0.0)}), recall=5)
    small = hall(position("left", "box-1", ceiling_db=-3))
    asked = situation_of([device], small)
    assert hits(device, goal, situation=asked) == ["ceiling", "rise"]
    trusted = replace(asked, trusted_recalls=frozenset({"box-1"}))
    assert hits(device, goal, situation=trusted) == ["ceiling"]


@pytest.mark.parametrize(("changed", "expected"), [(1, []), (2, []), (3, ["half-room"])])
def test_more_than_half_a_room_is_asked_for(changed, expected):
    names = ("a", "b", "c", "d")
    devices = [device_of(f"box-{n}") for n in names]
    room = hall(*(position(n, f"box-{n}") for n in names))
    plans = [
        device_plan(d, positions=(("hall", n),), level_db=-1.0)
        for n, d in zip(names[:changed], devices[:changed], strict=True)
    ]
    found = guard_hits(plans, situation_of(devices, room))
    assert [hit.guard for hit in found] == expected
    assert all(hit.may_allow for hit in found)


def test_a_click_outside_of_what_was_asked_for_is_asked_for():
    device = device_of("amp-1", "amp")
    room = hall(*(position(n, "amp-1", output=o) for n, o in (("left", 1), ("right", 2), ("rear", 3))))
    goal = Goal(live=DeviceSettings(input="analogue"))
    found = guard_hits([device_plan(device, goal, positions=LEFT)], situation_of([device], room))
    assert [(hit.guard, hit.position, hit.may_allow) for hit in found] == [
        ("live-click", "right", True),
        ("live-click", "rear", True),
    ]
    whole = frozenset({("hall", "left"), ("hall", "right"), ("hall", "rear")})
    assert hits(device, goal, situation=situation_of([device], room, in_scope=whole)) == []
    silent = device_of("amp-1", "amp", causes={2: {"panel"}, 3: {"alarm"}})
    assert hits(silent, goal, situation=situation_of([silent], room)) == []


def many(count, **live):
    """So many boxes, each alone in a room of its own, and the plans of their change."""
    names = [f"{n:03}" for n in range(count)]
    devices = [device_of(f"box-{n}") for n in names]
    rooms = [hall(position("left", f"box-{n}", room=f"room-{n}"), name=f"room-{n}") for n in names]
    plans = [
        device_plan(d, positions=((f"room-{n}", "left"),), **(live or {"level_db": -1.0}))
        for n, d in zip(names, devices, strict=True)
    ]
    return plans, situation_of(devices, *rooms)


@pytest.mark.parametrize(("count", "expected"), [(50, []), (51, ["many-devices"])])
def test_more_than_fifty_devices_are_asked_for(count, expected):
    plans, situation = many(count)
    found = guard_hits(plans, situation)
    assert [hit.guard for hit in found] == expected
    assert [hit.words for hit in found] == ["51 devices would change at once, more than 50"] * len(expected)


def test_stores_and_verified_recalls_are_not_among_the_many():
    plans, situation = many(51)
    stores = [replace(plan, work={Phase.STORE: Work()}) for plan in plans]
    assert guard_hits(stores, situation) == ()
    trusted = replace(situation, trusted_recalls=frozenset({plans[0].device}))
    assert guard_hits(plans, trusted) == ()


def recalling(position_, *, live=None, slot=None):
    """A recall of slot 5 by a box, and what is wanted of it."""
    device = device_of(live={1: live or OutputSettings()}, slots={5: SlotContents(slot=5, outputs={1: slot})})
    room = hall(position_, position("right", "box-2"), position("rear", "box-3"))
    wants = outlook_of([room], [device]).wants
    return device_plan(device, Goal(recall=5), positions=LEFT), situation_of([device], room, wants=wants)


def test_a_recall_that_changes_what_nothing_manages_is_asked_for():
    slot = OutputSettings(level_db=-6.0, delay_ms=3.0)
    plan, situation = recalling(position("left", "box-1", fixed=OutputSettings(level_db=-6.0)), slot=slot)
    (hit,) = guard_hits([plan], situation)
    assert (hit.guard, hit.may_allow, hit.device) == ("unmanaged", True, "box-1")
    assert hit.words == "the recall changes delay of box-1 output 1, which is not managed"
    managed = position("left", "box-1", fixed=OutputSettings(level_db=-6.0, delay_ms=3.0))
    assert guard_hits(*of_one(recalling(managed, slot=slot))) == ()
    there = recalling(position("left", "box-1", fixed=OutputSettings(level_db=-6.0)), live=slot, slot=slot)
    assert guard_hits(*of_one(there)) == ()


def test_the_recall_of_a_verified_house_curve_is_not_asked_about_what_nothing_manages():
    slot = OutputSettings(delay_ms=3.0)
    plan, situation = recalling(position("left", "box-1"), slot=slot)
    assert [hit.guard for hit in guard_hits([plan], situation)] == ["unmanaged"]
    assert guard_hits([plan], replace(situation, trusted_recalls=frozenset({"box-1"}))) == ()


def of_one(found):
    plan, situation = found
    return [plan], situation


# what a person may lift


def hit_of(guard, *, may_allow):
    return GuardHit(guard=guard, words="", may_allow=may_allow)


def test_only_what_may_be_allowed_and_is_named_is_lifted():
    rise, half = hit_of("rise", may_allow=True), hit_of("half-room", may_allow=True)
    ceiling = hit_of("ceiling", may_allow=False)
    assert unlifted([rise, half, ceiling], []) == (rise, half, ceiling)
    assert unlifted([rise, half, ceiling], ["rise", "ceiling", "live-click"]) == (half, ceiling)
    assert unlifted([rise], {"rise"}) == ()


def by_one(**told):
    """A rise of one box in a hall."""
    device = box()
    situation = {name: told.pop(name) for name in ("conflicting", "held", "guests") if name in told}
    return [device_plan(device, positions=LEFT, level_db=-10.0)], situation_of([device], wide_hall(**told), **situation)


def by_two_of_three():
    plans, situation = by_one()
    return [replace(plans[0], positions=(*LEFT, ("hall", "right")))], situation


def by_an_amplifier(goal):
    """A change of an amplifier that plays in the bar as well."""
    amp = device_of("amp-1", "amp")
    bar = hall(position("counter", "amp-1", output=2, room="bar"), name="bar")
    room = hall(position("left", "amp-1"), position("right", "box-2"), position("rear", "box-3"))
    return [device_plan(amp, goal, positions=LEFT)], situation_of([amp], room, bar)


def by_a_filter():
    device = protected(crossover(90))
    return [device_plan(device, high_pass="none")], situation_of([device], wide_hall())


def by_a_store():
    device = device_of()
    plan = device_plan(device, Goal(store=(SlotContents(slot=5, outputs={1: FLAT}),)), positions=LEFT)
    return [plan], situation_of([device], wide_hall(), too_soon={"box-1": "may be written again from noon on"})


STANDING = {
    "life-safety": lambda: by_one(life_safety=True),
    "ceiling": lambda: by_one(ceiling_db=-11.0),
    "hold": lambda: by_one(held={"hall": "a show"}),
    "conflicting": lambda: by_one(conflicting={"box-1": "another serial"}),
    "protective-high-pass": by_a_filter,
    "shared-device": lambda: by_an_amplifier(Goal(recall=5)),
    "store-too-soon": by_a_store,
    "guest": lambda: by_one(guests={"hall": "Visiting company, until 23:30"}),
    "rise": by_one,
    "half-room": by_two_of_three,
    "many-devices": lambda: many(51),
    "unmanaged": lambda: of_one(recalling(position("left", "box-1"), slot=OutputSettings(delay_ms=3.0))),
    "live-click": lambda: by_an_amplifier(Goal(live=DeviceSettings(input="analogue"))),
}
"""Plans against which each guard stands."""
LIFTED = {"guest", "rise", "half-room", "many-devices", "unmanaged", "live-click"}


@pytest.mark.parametrize("guard", get_args(GuardName))
def test_every_guard_is_named_in_its_refusal_and_lifted_only_where_it_may_be(guard):
    found = guard_hits(*STANDING[guard]())
    refused = refusal(unlifted(found, ()))
    assert guard in refused.guards
    assert guard in str(refused)
    left = {hit.guard for hit in unlifted(found, set(get_args(GuardName)) - {guard})}
    assert guard in left
    assert (guard in {hit.guard for hit in unlifted(found, {guard})}) == (guard not in LIFTED)
    if left <= LIFTED:
        assert f"--allow {guard}" in refusal(unlifted(found, left - {guard})).remedy


def test_a_level_within_its_range_is_not_asked_about_in_a_room_with_a_guest():
    plans, situation = by_one(guests={"hall": "Visiting company, until 23:30"})
    (hit,) = (hit for hit in guard_hits(plans, situation) if hit.guard == "guest")
    assert (hit.words, hit.room) == ("hall has a guest: Visiting company, until 23:30", "hall")
    assert guard_hits(plans, replace(situation, kind="level")) == ()


def test_guards_are_looked_at_in_the_order_of_their_weight():
    assert [guard.__name__ for guard in GUARDS] == [
        "life_safety",
        "conflicting",
        "hold",
        "ceiling",
        "protective_high_pass",
        "shared_device",
        "store_too_soon",
        "guest",
        "rise",
        "half_room",
        "many_devices",
        "unmanaged",
        "live_click",
    ]


# what is told


def test_louder_and_rise_look_at_where_a_ramp_ends():
    device = box(-40.0)
    plan = device_plan(device, positions=LEFT, level_db=-10.0, delay_ms=5.0)
    assert plan.work[Phase.SET].settings.outputs[1].level_db == -34.0
    situation = situation_of([device], wide_hall(ceiling_db=-10.5))
    assert louder([plan], situation) == ("left up to 30.0 dB louder",)
    assert [hit.words for hit in guard_hits([plan], situation)] == [
        "left -10 dB is above its ceiling of -10.5 dB",
        "left would rise by 30.0 dB",
    ]


@pytest.mark.parametrize(("wanted_db", "words"), [(-19.5, ()), (-19.0, ("left up to 1.0 dB louder",)), (-30.0, ())])
def test_louder_is_told_from_half_a_db_on(wanted_db, words):
    device = box()
    plan = device_plan(device, positions=LEFT, level_db=wanted_db)
    assert louder([plan], situation_of([device], wide_hall())) == words


def test_an_output_without_a_position_is_told_by_its_device():
    device = device_of("amp-1", "amp", live={3: OutputSettings(level_db=-20.0)})
    plan = device_plan(device, Goal(live=DeviceSettings(outputs={3: OutputSettings(level_db=-10.0)})))
    assert louder([plan], situation_of([device], wide_hall())) == ("amp-1 output 3 up to 10.0 dB louder",)


def test_slots_that_hold_no_protective_filter_are_seen_when_recalled():
    device = protected(crossover(90))
    device.description = replace(device.description, slots=SLOTS)
    device.slots[5] = SlotContents(slot=5, outputs={1: OutputSettings(high_pass="none", level_db=-20.0)})
    assert "protective-high-pass" in hits(device, Goal(recall=5))


def test_a_room_of_two_has_no_half_to_ask_about_and_a_store_is_silent():
    devices = [device_of("box-1"), device_of("box-2")]
    room = hall(position("left", "box-1"), position("right", "box-2"))
    plans = [
        device_plan(d, positions=(("hall", n),), level_db=-1.0) for n, d in zip(("left", "right"), devices, strict=True)
    ]
    assert guard_hits(plans, situation_of(devices, room)) == ()
    silent = [replace(plan, work={Phase.STORE: Work()}) for plan in plans]
    wide = hall(position("left", "box-1"), position("right", "box-2"), position("rear", "box-3"))
    assert [hit.guard for hit in guard_hits(plans, situation_of(devices, wide))] == ["half-room"]
    assert "half-room" not in [hit.guard for hit in guard_hits(silent, situation_of(devices, wide))]
