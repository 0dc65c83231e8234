"""Edits of room files: what was meant is there, and every other character is where it was."""

from __future__ import annotations

import difflib
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.desired.editing import RoomText
from fleet.desired.meaning import means
from fleet.desired.nodes import document
from fleet.desired.notation import WIDTH, block, fits, flow
from fleet.desired.spans import found
from fleet.errors import BadFiles, BadInput, NotFound

ROOMS = sorted((Path(__file__).parents[2] / "simulators/venue/rooms").glob("*.yaml"))

MEMBERS = ("device", "groups", "at_m", "level_db", "delay_ms", "eq", "trim_db", "silence", "line", "high_pass")
ROOM = """\
# The hall, as it was handed over.
format: 1
room:   hall      # three spaces, on purpose
name: "The Hall"

defaults: {mute: false}
groups:
  mains: {together: true, level_db: -6}   # flown
  subs:
    role: sub
    level_db: -4   # measured
    eq:
      - {shape: bell, frequency_hz: 50, gain_db: -4, q: 2}   # the room mode
    # the crossover comes later
positions:
  # stage left
  main-left:   {device: 'box-1', at_m: [0, -4, 5], groups: [mains]}
  main-right:  {device: box-2, at_m: [0, 4, 5], groups: [mains]}   # swapped in spring

  sub:         {device: sub-1, groups: [subs], output: 1}
  fill:
    device: box-0412
    level_db: {between: [-20, -8]}   # the operator's
# the end
"""


def lines_changed(before: str, after: str) -> tuple[list[str], list[str]]:
    """Lines that went and lines that came."""
    found = list(difflib.ndiff(before.splitlines(), after.splitlines()))
    return [line[2:] for line in found if line[0] == "-"], [line[2:] for line in found if line[0] == "+"]


def edited(text: RoomText, before: str = ROOM) -> tuple[list[str], list[str]]:
    return lines_changed(before, text.text)


def test_a_binding_changes_the_device_and_nothing_else_of_its_line() -> None:
    assert edited(RoomText(ROOM).bind("main-left", "box-7")) == (
        ["  main-left:   {device: 'box-1', at_m: [0, -4, 5], groups: [mains]}"],
        ["  main-left:   {device: box-7, at_m: [0, -4, 5], groups: [mains]}"],
    )
    assert edited(RoomText(ROOM).bind("fill", "amp-1", 2)) == (
        ["    device: box-0412"],
        ["    device: amp-1", "    output: 2"],
    )
    assert edited(RoomText(ROOM).bind("sub", "amp-1", 3))[1] == [
        "  sub:         {device: amp-1, groups: [subs], output: 3}"
    ]


def test_what_means_the_same_is_left_as_it_is_written() -> None:
    room = RoomText(ROOM)
    assert room.bind("main-left", "box-1").text is ROOM
    assert room.put("fill", {"level_db": {"between": [-20.0, -8.0]}}).text is ROOM
    assert room.remove(("positions", "nobody")).text is ROOM


def test_values_are_replaced_in_place_and_keep_their_comments() -> None:
    room = RoomText(ROOM)
    assert edited(room.set(("groups", "mains", "level_db"), -9.5))[1] == [
        "  mains: {together: true, level_db: -9.5}   # flown"
    ]
    assert edited(room.put("fill", {"level_db": -12.0}))[1] == ["    level_db: -12   # the operator's"]
    assert edited(room.set(("groups", "subs", "eq"), [])) == (
        ["    eq:", "      - {shape: bell, frequency_hz: 50, gain_db: -4, q: 2}   # the room mode"],
        ["    eq: []"],
    )
    band = {"shape": "bell", "frequency_hz": 63.0, "gain_db": -3.0, "q": 1.4}
    assert edited(room.set(("groups", "subs", "eq"), [band]))[1] == [
        "      - {shape: bell, frequency_hz: 63, gain_db: -3, q: 1.4}   # the room mode"
    ]


def test_new_members_come_last_and_new_parts_where_they_belong() -> None:
    room = RoomText(ROOM)
    assert edited(room.set(("defaults", "polarity"), "normal"))[1] == ["defaults: {mute: false, polarity: normal}"]
    assert edited(room.set(("groups", "subs", "delay_ms"), 1.25)) == ([], ["    delay_ms: 1.25"])
    housed = room.set(("curves", "warm"), [{"shape": "bell", "frequency_hz": 2500, "gain_db": -2, "q": 1.4}])
    housed = housed.put_house_curve({"curve": "warm", "slot": 5})
    assert edited(housed) == (
        [],
        [
            "curves: {warm: [{shape: bell, frequency_hz: 2500, gain_db: -2, q: 1.4}]}",
            "house_curve: {curve: warm, slot: 5}",
        ],
    )
    order = list(document(housed.text).data)  # type: ignore[arg-type]
    assert order.index("name") < order.index("curves") < order.index("house_curve") < order.index("defaults")


def test_a_position_is_added_in_the_style_of_the_others() -> None:
    assert edited(RoomText(ROOM).add("bar", {"device": "box-9", "groups": ["mains"]})) == (
        [],
        ["  bar:         {device: box-9, groups: [mains]}"],
    )
    bare = "format: 1\nroom: hall\npositions:\n  a:\n    device: box-1"
    assert RoomText(bare).add("b", {"device": "box-2"}).text == f"{bare}\n  b:\n    device: box-2\n"
    for empty in ("positions: {}", "positions:", "positions:   # none yet"):
        text = RoomText(f"format: 1\nroom: hall\n{empty}\n").add("a", {"device": "0412"}).text
        assert "  a: {device: '0412'}\n" in text
        assert ("# none yet" in text) == ("#" in empty)


def test_a_line_that_would_grow_too_long_becomes_a_block() -> None:
    band = {"shape": "bell", "frequency_hz": 2500, "gain_db": -2, "q": 1.4}
    room = RoomText(ROOM).put("main-right", {"eq": [band, band], "ceiling_db": -3})
    assert edited(room) == (
        ["  main-right:  {device: box-2, at_m: [0, 4, 5], groups: [mains]}   # swapped in spring"],
        [
            "  main-right:   # swapped in spring",
            "    device: box-2",
            "    at_m: [0, 4, 5]",
            "    groups: [mains]",
            "    eq:",
            "      - {shape: bell, frequency_hz: 2500, gain_db: -2, q: 1.4}",
            "      - {shape: bell, frequency_hz: 2500, gain_db: -2, q: 1.4}",
            "    ceiling_db: -3",
        ],
    )


def test_members_and_positions_are_taken_out_with_their_lines() -> None:
    room = RoomText(ROOM)
    assert edited(room.put("main-left", {"at_m": None}))[1] == ["  main-left:   {device: 'box-1', groups: [mains]}"]
    assert edited(room.put("sub", {"output": None}))[1] == ["  sub:         {device: sub-1, groups: [subs]}"]
    assert edited(room.remove(("groups", "subs", "eq"))) == (
        ["    eq:", "      - {shape: bell, frequency_hz: 50, gain_db: -4, q: 2}   # the room mode"],
        [],
    )
    assert edited(room.drop("fill"))[0][0] == "  fill:"
    assert edited(room.remove(("defaults", "mute")))[1] == ["defaults: {}"]
    for name in room.positions():
        room = room.drop(name)
    assert room.text.endswith("    # the crossover comes later\npositions: {}\n  # stage left\n\n# the end\n")


def test_windows_line_ends_and_a_byte_order_mark_stay() -> None:
    text = "\ufeff" + ROOM.replace("\n", "\r\n")
    room = RoomText(text).bind("main-left", "box-7").add("bar", {"device": "box-9"}).set(("defaults", "eq"), [])
    assert room.text.startswith("\ufeff# The hall")
    assert room.text.count("\n") == room.text.count("\r\n") == text.count("\n") + 1


def test_unknown_names_are_refused_with_what_was_probably_meant() -> None:
    room = RoomText(ROOM, "rooms/hall.yaml")
    with pytest.raises(NotFound, match=r"rooms/hall\.yaml: unknown position `main-lef`.*main-left"):
        room.bind("main-lef", "box-7")
    with pytest.raises(BadInput, match="there is a position `sub` already"):
        room.add("sub", {"device": "box-9"})


@pytest.mark.parametrize(
    ("text", "path", "what"),
    [
        ("a: &m {device: x}\nb: *m\n", ("b", "device"), "an alias"),
        ("a: &m {device: x}\nb: *m\n", ("a", "device"), "an alias"),
        ("a: &m {device: x}\nb: [*m]\n", ("a", "device"), "cannot be edited in place"),
        ("a: {b: {c: 1,\n  d: 2}}\n", ("a", "b", "e"), ""),
        ("? a\n: {b: 1}\n", ("a",), "a key without its colon"),
        ("a: |\n  text\n", ("a",), "text over several lines"),
    ],
)
def test_what_cannot_be_edited_in_place_is_refused_with_its_place(text: str, path: tuple[str], what: str) -> None:
    if not what:
        assert means(document(RoomText(text).set(path, 3).text).data, {"a": {"b": {"c": 1, "d": 2, "e": 3}}})  # type: ignore[arg-type]
        return
    with pytest.raises(BadInput, match=rf"r\.yaml:\d+:\d+: .*{what}.*Edit this place by hand"):
        RoomText(text, "r.yaml").set(path, "new")


def test_a_place_that_cannot_be_edited_is_named_by_its_line_in_the_whole_file() -> None:
    text = "positions:\n  a: {device: x}\n  b:\n    device: y\n    input: |\n      text\n"
    with pytest.raises(BadInput, match=r"r\.yaml:5:12: text over several lines"):
        RoomText(text, "r.yaml").put_each({"a": {"device": "z"}, "b": {"input": "network"}})
    aliased = "positions:\n  a: {device: x, at_m: &here [0, 0, 1]}\n  b: {device: y, at_m: *here}\n"
    with pytest.raises(BadInput, match=r"r\.yaml:3:18: an alias"):
        RoomText(aliased, "r.yaml").bind("b", "z")
    assert "{device: z, at_m: &here" in RoomText(aliased, "r.yaml").bind("a", "z").text


def test_a_file_that_the_reader_refuses_is_not_edited() -> None:
    merged = "a: &m {x: 1}\npositions:\n  b: {<<: *m, device: box-1}\n"
    with pytest.raises(BadFiles, match="merge keys"):
        RoomText(merged, "r.yaml").bind("b", "box-2")


PLAIN = st.recursive(
    st.one_of(
        st.text(st.characters(exclude_categories=["Cs", "Co", "Cn"]), min_size=1, max_size=12),
        st.booleans(),
        st.integers(-(10**6), 10**6),
        st.floats(-1e6, 1e6, allow_nan=False),
    ),
    lambda below: st.one_of(
        st.lists(below, max_size=3),
        st.dictionaries(st.text("abcdefgh-0123456789", min_size=1, max_size=6), below, max_size=3),
    ),
    max_leaves=8,
)


@given(PLAIN)
def test_whatever_is_written_is_read_as_the_same(value: object) -> None:
    for text in (f"key: {flow(value)}\n", block({"key": value})):  # type: ignore[arg-type, dict-item]
        doc = document(text)
        assert doc.problems == ()
        assert means(doc.data, {"key": value})  # type: ignore[arg-type, dict-item]


def paths(data: object, path: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    below = [p for k, v in data.items() for p in paths(v, (*path, k))] if isinstance(data, dict) else []
    return [path, *below] if path else below


@pytest.mark.parametrize("file", ROOMS, ids=lambda p: p.stem)
@settings(max_examples=60, deadline=None)
@given(draw=st.data())
def test_any_edit_of_the_demo_venue_touches_only_its_own_part(file: Path, draw: st.DataObject) -> None:
    text = file.read_text(encoding="utf-8")
    path = draw.draw(st.sampled_from(paths(document(text).data)))
    if draw.draw(st.booleans()):
        path = (*path[: draw.draw(st.integers(1, len(path)))], "a-new-one")
    value = draw.draw(PLAIN)
    try:
        room = RoomText(text).set(path, value) if draw.draw(st.booleans()) else RoomText(text).remove(path)
    except BadInput as error:
        assert "no mapping stands here" in str(error)  # noqa: PT017  # a new member below a number or a list
        return
    before, after = text.splitlines(keepends=True), room.text.splitlines(keepends=True)
    same_above = common(before, after)
    same_below = min(common(before[::-1], after[::-1]), len(before) - same_above, len(after) - same_above)
    _, members = found(text, path)
    part = members[max(0, min(len(members) - 1, len(path) - 2))]
    first, last = part.key.line, text.count("\n", 0, part.value.end)
    if same_above + same_below < len(before):
        assert same_above >= first
        assert len(before) - same_below - 1 <= last
    elif before != after:
        assert first <= same_above <= last + 1, "what came stands elsewhere"


@pytest.mark.parametrize("file", ROOMS, ids=lambda p: p.stem)
@settings(max_examples=20, deadline=None)
@given(draw=st.data())
def test_many_positions_at_once_become_what_each_would_by_itself(file: Path, draw: st.DataObject) -> None:
    whole = RoomText(file.read_text(encoding="utf-8"))
    names = draw.draw(st.lists(st.sampled_from(whole.positions()), unique=True, min_size=1))
    value = st.one_of(st.none(), st.just([]), st.just(-9.5), st.just("none"), st.just({"between": [-20, -8]}))
    members = {name: draw.draw(st.dictionaries(st.sampled_from(MEMBERS), value)) for name in names}
    one_by_one = whole
    for name, wanted in members.items():
        for member, one in wanted.items():
            path = ("positions", name, member)
            one_by_one = one_by_one.remove(path) if one is None else one_by_one.set(path, one)
    assert whole.put_each(members).text == one_by_one.text


def common(one: list[str], other: list[str]) -> int:
    """How many lines two texts have in common at their beginning."""
    return next((n for n, (a, b) in enumerate(zip(one, other, strict=False)) if a != b), min(len(one), len(other)))


@given(PLAIN)
def test_what_is_said_to_fit_does(value: object) -> None:
    """Give or take what words of YAML in quotes and lists in lists take more."""
    line = flow(value)  # type: ignore[arg-type]
    more = 2 * len(re.findall(r"'[A-Za-z]+'", line))
    more += line.count("[ ")
    if isinstance(value, list | dict):
        assert fits(value, WIDTH - len(line))  # type: ignore[arg-type]
        assert not fits(value, WIDTH - len(line) + more + 1)  # type: ignore[arg-type]
