"""Modes: what of a mode wins over the room, what its slots hold, which rooms go together, where it is written."""

from __future__ import annotations

from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from fleet.desired.check import check
from fleet.desired.load import load
from fleet.desired.version import Version
from fleet.model.description import Description
from fleet.model.edge import parse
from fleet.model.settings import Band
from fleet.model.venue import Between, Position, Room
from tests.desired.check_cases import DEVICE, OUTPUT, VENUE

WARM = (Band(shape="bell", frequency_hz=2500, gain_db=-4, q=1.4),)
CLEAR = (Band(shape="bell", frequency_hz=250, gain_db=-3, q=1),)
BAND = Band(shape="bell", frequency_hz=500, gain_db=-2, q=2)
ROOM: dict[str, Any] = {
    "format": 1,
    "room": "hall",
    "curves": {
        "warm": [{"shape": "bell", "frequency_hz": 2500, "gain_db": -4, "q": 1.4}],
        "clear": [{"shape": "bell", "frequency_hz": 250, "gain_db": -3, "q": 1}],
    },
    "house_curve": {"curve": "warm", "slots": {"full": 5, "sub": 3}},
    "defaults": {"mute": False},
    "groups": {"mains": {"level_db": -6, "delay_ms": 3}, "subs": {"eq": [], "level_db": -4}},
    "positions": {
        "left": {"device": "box-1", "groups": ["mains"], "trim_db": 1},
        "right": {"device": "box-2", "groups": ["mains"], "level_db": -5, "slot": 7},
        "chained": {
            "device": "box-3",
            "eq": ["house", {"shape": "bell", "frequency_hz": 500, "gain_db": -2, "q": 2}],
            "level_db": -8,
        },
        "sub": {"device": "sub-1", "groups": ["subs"]},
        "horn": {"device": "box-9", "life_safety": True},
    },
}


def load_rooms(*rooms: dict[str, Any]) -> Version:
    files = {f"rooms/{room['room']}.yaml": yaml.safe_dump(room, sort_keys=False) for room in rooms}
    return load({"venue.yaml": VENUE, **files})


def room_with(**modes: Any) -> Room:
    return load_rooms({**ROOM, "modes": modes}).venue.rooms["hall"]


def positions_in(mode: Any) -> dict[str, Position]:
    return dict(room_with(other=mode).in_mode("other").positions)


def test_a_mode_wins_at_any_layer_over_the_room_at_any_layer() -> None:
    inside = positions_in({"defaults": {"level_db": -20}})
    assert [inside[name].fixed.level_db for name in ("left", "right", "chained", "sub")] == [-19, -20, -20, -20]


def test_within_a_mode_position_wins_over_group_and_group_over_defaults() -> None:
    inside = positions_in(
        {
            "defaults": {"level_db": -20},
            "groups": {"mains": {"level_db": -16}},
            "positions": {"right": {"level_db": -1}},
        }
    )
    assert [inside[name].fixed.level_db for name in ("left", "right", "chained")] == [-15, -1, -20]


def test_what_a_mode_says_nothing_of_stays_as_in_the_room() -> None:
    room = room_with(other={"positions": {"left": {"level_db": -9}}})
    inside = room.modes["other"].positions
    assert inside["left"].fixed.level_db == -9
    assert inside["left"].fixed.delay_ms == 3
    for name in ("right", "chained", "sub", "horn"):
        assert inside[name] is room.positions[name]


def test_a_trim_adds_to_the_level_of_a_mode_and_not_to_its_own_for_the_position() -> None:
    assert positions_in({"groups": {"mains": {"level_db": -10}}})["left"].fixed.level_db == -9
    assert positions_in({"positions": {"left": {"level_db": -10}}})["left"].fixed.level_db == -10


def test_a_mode_may_give_a_range_and_take_one_away() -> None:
    inside = positions_in({"positions": {"left": {"level_db": {"between": [-20, -8]}}}})
    assert (inside["left"].fixed.level_db, inside["left"].between) == (None, {"level_db": Between(low=-20, high=-8)})


def test_its_house_curve_is_what_house_stands_for_and_no_more() -> None:
    inside = positions_in({"house_curve": "clear"})
    assert inside["left"].fixed.eq == CLEAR
    assert inside["chained"].fixed.eq == (*CLEAR, BAND)
    assert inside["sub"].fixed.eq == (), "the room gives it none, whatever the house curve is"
    assert room_with(other={"house_curve": "clear"}).in_mode("other").house_curve == "clear"


def test_house_in_an_eq_of_a_mode_is_its_own_house_curve() -> None:
    inside = positions_in({"house_curve": "clear", "positions": {"sub": {"eq": ["house"]}, "left": {"eq": "warm"}}})
    assert (inside["sub"].fixed.eq, inside["left"].fixed.eq) == (CLEAR, WARM)


def test_a_mode_without_a_slot_keeps_the_slots_and_what_they_hold() -> None:
    room = room_with(other={"defaults": {"level_db": -20}})
    for name, position in room.modes["other"].positions.items():
        assert position.slots == room.positions[name].slots
        assert position.stored_for("full") is room.positions[name]


def test_a_slot_of_a_mode_holds_what_the_mode_is() -> None:
    inside = positions_in({"slot": 6, "defaults": {"level_db": -20}})
    assert {name: p.slot_for("full") for name, p in inside.items()} == {
        "left": 6,
        "right": 6,
        "chained": 6,
        "sub": 6,
        "horn": None,
    }
    assert inside["left"].stored_for("full") is inside["left"]


def test_slots_by_model_leave_the_others_in_the_slot_of_the_room() -> None:
    room = room_with(other={"slots": {"full": 6}, "defaults": {"level_db": -20}})
    left = room.modes["other"].positions["left"]
    assert (left.slot_for("full"), left.slot_for("sub")) == (6, 3)
    assert left.stored_for("full") is left
    assert left.stored_for("sub") is room.positions["left"]
    assert room.modes["other"].positions["right"].slot_for("sub") == 7


def test_a_slot_of_one_position_is_that_of_no_other() -> None:
    inside = positions_in({"positions": {"left": {"slot": 6}}})
    assert (inside["left"].slot_for("full"), inside["chained"].slot_for("full")) == (6, 5)


def test_the_room_without_modes_comes_out_of_a_mode_whole() -> None:
    room = room_with(other={"slot": 6, "house_curve": "clear", "defaults": {"level_db": -20}})
    assert room.in_mode("other").without_modes().positions == room.positions
    assert room.in_mode("other").without_modes().house_curve == "warm"


@given(
    st.fixed_dictionaries(
        {},
        optional={
            "name": st.just("Some mode"),
            "defaults": st.just({}),
            "groups": st.dictionaries(st.sampled_from(["mains", "subs"]), st.just({})),
            "positions": st.dictionaries(st.sampled_from(["left", "right", "chained", "sub"]), st.just({})),
            "house_curve": st.just("warm"),
        },
    )
)
def test_a_mode_that_overrides_nothing_wants_exactly_the_room(mode: dict[str, Any]) -> None:
    room = room_with(other=mode)
    assert room.in_mode("other").positions == room.positions


@given(
    level_db=st.floats(-40, 0).map(lambda x: round(x, 1)),
    layer=st.sampled_from(["defaults", "mains", "left"]),
    slot=st.none() | st.integers(1, 8),
)
def test_what_is_not_a_mode_is_never_moved_by_one(level_db: float, layer: str, slot: int | None) -> None:
    settings = {"level_db": level_db}
    mode: dict[str, Any] = {
        "defaults": {"defaults": settings},
        "mains": {"groups": {"mains": settings}},
        "left": {"positions": {"left": settings}},
    }[layer]
    without = load_rooms(ROOM).venue.rooms["hall"]
    with_it = room_with(other={**mode, **({"slots": {"full": slot + 10}} if slot else {})})
    assert with_it.positions == without.positions
    assert with_it.in_mode("house") is with_it


def east_and_west(east: Any, west: Any) -> dict[str, Room]:
    def part(name: str, modes: Any) -> dict[str, Any]:
        return {"format": 1, "room": name, "positions": {"a": {"device": f"{name}-1"}}, "modes": modes}

    return dict(load_rooms(part("east", east), part("west", west)).venue.rooms)


def test_what_one_room_says_holds_the_other_way_round() -> None:
    rooms = east_and_west({"combined": {"together_with": {"west": "open"}}}, {"open": {}})
    assert rooms["east"].modes["combined"].together_with == {"west": "open"}
    assert rooms["west"].modes["open"].together_with == {"east": "combined"}


def test_both_may_say_it() -> None:
    rooms = east_and_west({"x": {"together_with": {"west": "y"}}}, {"y": {"together_with": {"east": "x"}}})
    assert rooms["west"].modes["y"].together_with == {"east": "x"}


def test_house_brings_nobody_along() -> None:
    rooms = east_and_west(
        {"solo": {"together_with": {"west": "house"}}, "duo": {"together_with": {"west": "house"}}}, {}
    )
    assert rooms["east"].modes["solo"].together_with == {"west": "house"}
    assert rooms["west"].modes == {}


def test_three_rooms_go_together_whoever_names_whom() -> None:
    def part(name: str, other: str | None) -> dict[str, Any]:
        along = {"together_with": {other: "all"}} if other else {}
        return {"format": 1, "room": name, "positions": {"a": {"device": f"{name}-1"}}, "modes": {"all": along}}

    rooms = load_rooms(part("east", "west"), part("west", "north"), part("north", None)).venue.rooms
    assert rooms["north"].modes["all"].together_with == {"east": "all", "west": "all"}
    assert rooms["east"].modes["all"].together_with == {"north": "all", "west": "all"}


def test_a_template_gives_modes_that_a_room_adds_to() -> None:
    venue = VENUE + yaml.safe_dump(
        {
            "templates": {
                "seminar": {
                    "positions": {"front": {"level_db": -6}},
                    "modes": {"speech": {"defaults": {"level_db": -9}}, "music": {"defaults": {"level_db": -3}}},
                }
            }
        }
    )
    room = yaml.safe_dump(
        {
            "format": 1,
            "room": "s1",
            "template": "seminar",
            "devices": {"front": "box-1"},
            "modes": {"music": {"defaults": {"level_db": -4}}, "night": {"defaults": {"level_db": -30}}},
        }
    )
    modes = load({"venue.yaml": venue, "rooms/s1.yaml": room}).venue.rooms["s1"].modes
    levels = {name: mode.positions["front"].fixed.level_db for name, mode in modes.items()}
    assert levels == {"speech": -9, "music": -4, "night": -30}


def test_the_place_of_a_setting_in_a_mode_is_where_the_mode_gives_it() -> None:
    version = load(
        {
            "venue.yaml": VENUE,
            "rooms/hall.yaml": """\
format: 1
room: hall
groups: {mains: {level_db: -6}}
positions: {left: {device: box-1, groups: [mains]}}
modes:
  loud:
    slot: 6
    groups:
      mains: {level_db: -3}
""",
        }
    )
    assert version.places.place("hall", "left", "level_db", "loud") == ("rooms/hall.yaml", 9, 15)
    assert version.places.place("hall", "left", "slot", "loud") == ("rooms/hall.yaml", 7, 5)
    assert version.places.place("hall", "left", "delay_ms", "loud") == ("rooms/hall.yaml", 6, 3)


def described(device: str) -> Description:
    plain = {"id": device, "serial": device, "firmware": "1", "mac": "", "outputs": [{"output": 1, **OUTPUT}]}
    return parse(Description, {**DEVICE, **plain, "inputs": []})


def found(room: dict[str, Any]) -> list[tuple[str, str]]:
    version = load_rooms(room)
    devices = {p.device: described(p.device) for p in version.venue.positions()}
    checked = check(version, devices, lambda p, _d: [("level_db", "too loud")] if p.fixed.level_db == 9 else [])
    return [(one.name, one.complaint.text) for one in checked.findings if "mode" in one.complaint.text]


@pytest.mark.parametrize(
    ("mode", "name", "text"),
    [
        ({"defaults": {"level_db": -1}}, "ceiling", "`a` would be at -1 dB, above its ceiling of -3 dB"),
        ({"slot": 2}, "slot", "slot 2 of `box-1` (example-full) is the factory's and locked; choose a user slot"),
        ({"positions": {"a": {"level_db": 9}}}, "not-representable", "`a` on `box-1` (example-full): too loud"),
    ],
)
def test_the_design_checks_look_at_each_mode_and_name_it(mode: Any, name: str, text: str) -> None:
    room = {"format": 1, "room": "hall", "positions": {"a": {"device": "box-1", "ceiling_db": -3, "level_db": -4}}}
    assert found(room) == []
    assert (name, f"in mode `other`: {text}") in found({**room, "modes": {"other": mode}})


def test_what_is_wrong_without_modes_is_not_told_again_for_each() -> None:
    room = {"format": 1, "room": "hall", "positions": {"a": {"device": "box-1", "ceiling_db": -3, "level_db": -1}}}
    assert found({**room, "modes": {"other": {"positions": {"a": {"delay_ms": 1}}}}}) == []
