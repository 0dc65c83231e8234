"""Boxes exchanged by mistake are suspected by what they hold, as surely as that tells, and no others are."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from fleet.drivers.memory import MemoryDevice
from fleet.model.settings import DeviceSettings, OutputSettings, SlotContents
from fleet.model.state import Reported
from fleet.model.venue import Position, Room, Venue
from fleet.reconcile.compare import compare
from fleet.reconcile.exchanged import Suspicion, exchanged
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.representable import representable
from fleet.reconcile.wanted_devices import wanted_devices
from tests.services.small_venue import FLAT, box

SLOT = 5


def at(level_db: float) -> OutputSettings:
    return replace(FLAT, level_db=level_db)


def device(name: str, live_db: float, slot_db: float) -> MemoryDevice:
    """A box that sounds at a level and holds another one in the house-curve slot."""
    made = box(name)
    made.live = DeviceSettings(outputs={1: at(live_db)}).over(made.live)
    made.slots = {**made.slots, SLOT: SlotContents(slot=SLOT, outputs={1: at(slot_db)})}
    made.active_slot = SLOT
    return made


def outlook(wanted_db: Mapping[str, float], devices: Mapping[str, MemoryDevice]) -> Outlook:
    """Boxes in one room, each wanted at a level, live and in its slot."""
    positions = {
        f"at-{name}": Position(
            name=f"at-{name}", room="hall", device=name, fixed=OutputSettings(level_db=db), slots={"*": SLOT}
        )
        for name, db in wanted_db.items()
    }
    room = Room(name="hall", title="Hall", positions=positions, groups={})
    venue = Venue(name="House", time_zone="UTC", rooms={"hall": room})
    descriptions = {name: one.description for name, one in devices.items()}
    wants, wrong = wanted_devices(venue, sorted(devices), descriptions, representable)
    assert not wrong
    reported = {
        name: Reported(description=one.description, state=one.state(), slots=one.slots) for name, one in devices.items()
    }
    return Outlook(venue=venue, desired_sha256="", wants=wants, reported=reported)


def suspected(wanted_db: Mapping[str, float], found: Mapping[str, tuple[float, float]]) -> tuple[Suspicion, ...]:
    """What is suspected of boxes that were found at (live, slot)."""
    made = outlook(wanted_db, {name: device(name, live, slot) for name, (live, slot) in found.items()})
    compared = compare([(made.wants[d], made.reported[d]) for d in sorted(made.wants)])
    return exchanged(made, compared)


def test_two_boxes_that_hold_all_of_each_other_are_hardly_to_be_doubted() -> None:
    (one,) = suspected({"a": -6, "b": -12}, {"a": (-12, -12), "b": (-6, -6)})
    assert (one.first, one.second, one.sure) == ("a", "b", "hardly to be doubted")
    assert one.because == "both sound as the other should, and both slots hold the other's settings"


def test_slots_alone_make_it_likely() -> None:
    (one,) = suspected({"a": -6, "b": -12}, {"a": (-6, -12), "b": (-12, -6)})
    assert (one.sure, one.because) == ("likely", "both slots hold the other's settings")


def test_what_only_one_of_them_tells_is_said_so() -> None:
    (one,) = suspected({"a": -6, "b": -12}, {"a": (-6, -12), "b": (-20, -20)})
    assert one.sure == "possible"
    assert one.because == "only one of them tells so: the slot of a holds the settings of b"


def test_which_of_two_boxes_that_are_to_be_alike_it_is_cannot_be_told() -> None:
    found = suspected({"a": -6, "b": -12, "c": -12}, {"a": (-12, -12), "b": (-6, -6), "c": (-6, -6)})
    assert [(s.first, s.second, s.or_else) for s in found] == [("a", "b", ("c",)), ("a", "c", ("b",))]
    assert "it may be c instead, which is to be alike: contents cannot tell" in found[0].words


def test_boxes_that_are_to_be_alike_are_never_suspected_of_each_other() -> None:
    assert suspected({"a": -6, "b": -6}, {"a": (-12, -12), "b": (-6, -12)}) == ()


def test_another_model_holds_what_it_holds_by_chance() -> None:
    made = outlook({"a": -6, "b": -12}, {"a": device("a", -12, -12), "b": device("b", -6, -6)})
    other = replace(made.wants["b"], description=replace(made.wants["b"].description, model="Brae 8"))
    made = replace(made, wants={**made.wants, "b": other})
    compared = compare([(made.wants[d], made.reported[d]) for d in sorted(made.wants)])
    assert exchanged(made, compared) == ()


levels = st.integers(-40, 0).map(float)


@given(wanted=st.lists(levels, min_size=2, max_size=5, unique_by=lambda db: round(db / 3)))
def test_boxes_as_desired_are_never_suspected(wanted: list[float]) -> None:
    names = [f"b{n}" for n in range(len(wanted))]
    each = dict(zip(names, wanted, strict=True))
    assert suspected(each, {name: (db, db) for name, db in each.items()}) == ()


@given(
    wanted=st.lists(levels, min_size=3, max_size=5, unique_by=lambda db: round(db / 3)),
    pair=st.tuples(st.integers(0, 2), st.integers(0, 2)).filter(lambda p: p[0] < p[1]),
)
def test_two_exchanged_boxes_are_found_among_others_and_nobody_else(wanted: list[float], pair: tuple[int, int]) -> None:
    names = [f"b{n}" for n in range(len(wanted))]
    each = dict(zip(names, wanted, strict=True))
    a, b = names[pair[0]], names[pair[1]]
    moved = {**each, a: each[b], b: each[a]}
    found = suspected(each, {name: (db, db) for name, db in moved.items()})
    assert (a, b) in {(s.first, s.second) for s in found}
    assert all({s.first, s.second} == {a, b} for s in found if s.sure == "hardly to be doubted")


@given(
    wanted=st.lists(levels, min_size=2, max_size=4),
    found=st.lists(st.tuples(levels, levels), min_size=4, max_size=4),
)
def test_the_order_of_devices_does_not_matter(wanted: list[float], found: list[tuple[float, float]]) -> None:
    names = [f"b{n}" for n in range(len(wanted))]
    each = dict(zip(names, wanted, strict=True))
    held = dict(zip(names, found, strict=False))
    back = suspected(dict(reversed(each.items())), dict(reversed(held.items())))
    assert suspected(each, held) == back
