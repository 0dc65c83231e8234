"""Templates: rooms that are alike, written once; complaints point into the file in which the mistake is."""

from __future__ import annotations

from dataclasses import replace

import pytest

from fleet.desired.editing import RoomText
from fleet.desired.load import load
from fleet.desired.version import Version
from fleet.errors import BadFiles
from fleet.model.venue import References

VENUE = """\
format: 1
name: The Weir School
time_zone: Europe/Lisbon
curves:
  speech: [{shape: low_shelf, frequency_hz: 120, gain_db: -4, q: 0.7}]
templates:
  classroom:
    air_temperature_c: 22
    listen_at_m: [4, 0, 1.2]
    house_curve: {curve: speech, slot: 3}
    defaults: {mute: false, tolerances: {level_db: 2, delay_ms: 1}}
    groups:
      mains: {together: true, level_db: -9}
      rears: {level_db: -15, time_align: {to: left, offset_ms: 8}}
    positions:
      left:  {at_m: [0, -2, 2.5], groups: [mains], rack: under the desk}
      right: {at_m: [0, 2, 2.5], groups: [mains]}
      rear:  {at_m: [7, 0, 2.5], groups: [rears], output: 2, trim_db: 1}
"""
ROOM = """\
format: 1
room: class-101
template: classroom
devices: {left: box-1, right: box-2, rear: {device: amp-1, output: 3}}
"""


def loaded(room: str = ROOM, venue: str = VENUE, **more: str) -> Version:
    files = {f"rooms/{name}.yaml": text for name, text in more.items()}
    return load({"venue.yaml": venue, "rooms/class-101.yaml": room, **files})


def complaints(room: str = ROOM, venue: str = VENUE, **more: str) -> list[str]:
    with pytest.raises(BadFiles) as caught:
        loaded(room, venue, **more)
    return [str(complaint) for complaint in caught.value.complaints]


def test_a_room_of_a_template_is_the_room_written_in_full():
    template = VENUE.split("  classroom:\n")[1]
    full = "format: 1\nroom: class-101\n" + "\n".join(line[4:] for line in template.splitlines())
    full = full.replace("left:  {", "left: {device: box-1, ").replace("right: {", "right: {device: box-2, ")
    full = full.replace("rear:  {", "rear: {device: amp-1, ").replace("output: 2", "output: 3")
    bare = VENUE.split("templates:", maxsplit=1)[0]
    assert loaded().venue == loaded(full, bare).venue
    assert loaded().venue.rooms["class-101"].positions["left"].references == References(rack="under the desk")


def test_what_the_room_says_wins_setting_by_setting():
    more = """\
air_temperature_c: 18
house_curve: {curve: speech, slot: 6}
defaults: {tolerances: {level_db: 3}}
groups: {mains: {level_db: -12}}
positions:
  left: {polarity: inverted}
  rear: {level_db: -20, delay_ms: 5}
  extra: {device: box-9, level_db: -30}
"""
    room = loaded(ROOM + more).venue.rooms["class-101"]
    left, right, rear = (room.positions[name] for name in ("left", "right", "rear"))
    assert (left.fixed.polarity, right.fixed.polarity) == ("inverted", None)
    assert (left.fixed.level_db, left.coherent, left.at_m) == (-12, ("mains",), (0, -2, 2.5))
    assert (rear.fixed.level_db, rear.fixed.delay_ms, rear.time_align) == (-20, 5, None), "the trim goes with the level"
    assert (room.air_temperature_c, dict(left.slots), left.fixed.mute) == (18, {"*": 6}, False)
    assert left.tolerances.level_db == 3
    assert left.tolerances.delay_ms == 2, "a setting is replaced whole"
    assert room.positions["extra"].device == "box-9"


def test_a_room_s_delay_takes_the_place_of_the_template_s_alignment_and_the_other_way_round():
    venue = VENUE.replace("rear:  {", "rear:  {delay_ms: 3, ")
    more = "positions: {rear: {time_align: {to: left}}}\n"
    rear = loaded(ROOM + more, venue).venue.rooms["class-101"].positions["rear"]
    assert rear.fixed.delay_ms is None
    assert rear.time_align is not None


def test_coordinates_of_a_template_are_shifted_by_the_room_s_origin_and_the_room_s_own_are_not():
    more = "origin_m: [10, 0.5, 0]\npositions: {right: {at_m: [1, 2, 3]}}\n"
    room = loaded(ROOM + more).venue.rooms["class-101"]
    assert room.positions["left"].at_m == (10, -1.5, 2.5)
    assert room.positions["right"].at_m == (1, 2, 3)
    assert room.positions["rear"].listen_at_m == (14, 0.5, 1.2)


def test_forty_rooms_change_with_one_line_of_their_template():
    rooms = {
        f"class-{n}": f"format: 1\nroom: class-{n}\ntemplate: classroom\n"
        f"devices: {{left: l-{n}, right: r-{n}, rear: {{device: a-{n}, output: 2}}}}\n"
        for n in range(201, 240)
    }
    levels = [
        {room.positions["right"].fixed.level_db for room in loaded(ROOM, venue, **rooms).venue.rooms.values()}
        for venue in (VENUE, VENUE.replace("level_db: -9", "level_db: -11"))
    ]
    assert levels == [{-9}, {-11}]
    assert len(loaded(**rooms).venue.positions()) == 120


def test_settings_are_found_in_the_file_that_gives_them():
    places = loaded(ROOM + "positions: {right: {level_db: -8}}\n").places
    assert places.place("class-101", "left", "level_db") == ("venue.yaml", 13, 31)
    assert places.place("class-101", "right", "level_db") == ("rooms/class-101.yaml", 5, 21)
    assert places.place("class-101", "left", "device") == ("rooms/class-101.yaml", 4, 11)
    assert places.place("class-101", "rear", "output") == ("rooms/class-101.yaml", 4, 60)
    assert places.place("class-101", "left", "slot") == ("venue.yaml", 10, 34)
    assert places.place("class-101", "left") == ("venue.yaml", 16, 7)
    assert places.place("class-101") == ("rooms/class-101.yaml", 2, 1)


@pytest.mark.parametrize(
    ("wrong", "right", "said"),
    [
        ("template: classroom", "template: clasroom", ["3:11: unknown template `clasroom`; did you mean `classroom`?"]),
        ("left: box-1", "lefft: box-1", [
            "4:1: position `left` of template `classroom` has no device; give it in `devices`",
            "4:11: template `classroom` has no position `lefft`; did you mean `left`?",
        ]),
        ("left: box-1, right: box-2", "left: box-1", [
            "4:1: position `right` of template `classroom` has no device; give it in `devices`",
        ]),
        ("devices:", "positions: {left: {device: box-7}}\ndevices:", [
            "5:11: `left` has its device at the position already; give it once",
        ]),
        ("left: box-1", "left: box 1", [
            "4:17: `left`: `box 1` is no device id: letters, digits and hyphens, at most 64, beginning with a letter "
            "or digit",
        ]),
        ("output: 3", "outputs: 3", ["4:60: unknown key `outputs`; did you mean `output`?"]),
        ("template: classroom\n", "", [
            "3:10: `devices` is for a room that stands on a `template`; this one has none",
        ]),
        ("format: 1\n", "format: 1\norigin_m: [1, 2]\n", [
            "2:11: `origin_m` wants 3 entries (x, y and z in m), got 2",
        ]),
    ],
)  # fmt: skip
def test_mistakes_of_a_room_on_a_template(wrong, right, said):
    assert complaints(ROOM.replace(wrong, right, 1)) == [f"rooms/class-101.yaml:{line}" for line in said]


def test_a_mistake_in_a_template_is_told_once_and_in_the_venue_file():
    other = ROOM.replace("class-101", "class-102").replace("box", "bax").replace("amp", "imp")
    venue = VENUE.replace("level_db: -9", "level_db: loud").replace("rear:  {at_m: [7", "rear:  {at_m: [x")
    assert complaints(venue=venue, other=other) == [
        "venue.yaml:13:41: `level_db` wants a number in dB, got text `loud`",
        "venue.yaml:18:22: `at_m` wants a number in m, got text `x`",
    ]


def test_names_that_a_template_does_not_know_are_told_in_the_template():
    venue = VENUE.replace("groups: [rears]", "groups: [reers]").replace("curve: speech", "curve: spech")
    assert complaints(venue=venue) == [
        "venue.yaml:10:26: unknown curve `spech`; did you mean `speech`?",
        "venue.yaml:18:43: unknown group `reers`; did you mean `rears`?",
        "venue.yaml:18:71: `trim_db` has nothing to add to: neither group nor `defaults` give a `level_db`",
    ]


def test_two_rooms_with_one_device_are_told_at_the_device():
    other = ROOM.replace("class-101", "class-102").replace("box-2", "box-3").replace("output: 3", "output: 4")
    assert complaints(other=other) == [
        "rooms/other.yaml:4:11: output 1 of `box-1` already serves `left` of room `class-101` "
        "(rooms/class-101.yaml:4:11); an output serves one position"
    ]


def test_a_venue_file_that_cannot_be_read_is_one_complaint():
    (one,) = complaints(venue="format: [1\n")
    assert one.startswith("venue.yaml:2:1: not valid YAML")


def test_duplicate_keys_of_a_room_on_a_template_are_told():
    assert complaints(ROOM + "room: class-102\n") == [
        "rooms/class-101.yaml:5:1: `room` is written twice; the first is on line 2"
    ]


def test_a_position_of_a_template_is_bound_where_its_device_stands_and_edited_beside_it():
    text = RoomText(ROOM).bind("left", "box-7").bind("rear", "amp-2", 4).put("right", {"level_db": -3}).text
    assert text == ROOM.replace("left: box-1", "left: {device: box-7, output: 1}").replace(
        "{device: amp-1, output: 3}", "{device: amp-2, output: 4}"
    ) + ("positions: {right: {level_db: -3}}\n")
    positions = loaded(text).venue.rooms["class-101"].positions
    assert [(p.device, p.output) for p in positions.values()] == [("box-7", 1), ("box-2", 1), ("amp-2", 4)]


def test_a_position_of_a_template_that_is_dropped_is_missed():
    text = RoomText(ROOM).put("left", {"level_db": -3}).drop("left").text
    assert "left" not in text
    assert complaints(text) == [
        "rooms/class-101.yaml:4:1: position `left` of template `classroom` has no device; give it in `devices`"
    ]


def test_references_are_all_that_differs_where_they_are_written():
    names = {"drawing": "A-1", "cable": "C 7", "rack": "R2/14", "circuit": "0412", "switch_port": "yes"}
    given = ", ".join(f"{name}: {text}" for name, text in names.items())
    plain, referenced = (
        loaded(ROOM + f"positions: {{right: {{polarity: normal{more}}}}}\n").venue.rooms["class-101"].positions["right"]
        for more in ("", f", {given}")
    )
    assert referenced.references == References(**names)
    assert replace(referenced, references=References()) == plain


@pytest.mark.parametrize("text", ["''", "x" * 201, "{a: b}", "[]"])
def test_references_are_short_text(text):
    (one,) = complaints(ROOM + f"positions: {{right: {{cable: {text}}}}}\n")
    assert one.startswith("rooms/class-101.yaml:5:28: `cable` wants ")
