"""Sheets into room files: what a row becomes, and every mistake at its row and column."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.desired.importing import BadSheet, Imported, imported
from fleet.desired.load import load
from fleet.desired.sheet import letters
from fleet.desired.sheet_columns import COLUMNS
from fleet.errors import Complaint
from fleet.model.venue import Position, References

VENUE = """\
format: 1
name: The Weir School
time_zone: Europe/Lisbon
curves:
  speech: [{shape: low_shelf, frequency_hz: 120, gain_db: -4, q: 0.7}]
templates:
  classroom:
    defaults: {level_db: -9}
    positions:
      left:  {at_m: [0, -2, 2.5]}
      right: {at_m: [0, 2, 2.5], output: 2}
"""
HALL = """\
format: 1
room: hall
# the mains were flown in spring
groups:
  mains: {level_db: -6}
positions:
  left:  {device: box-1, groups: [mains]}   # stage left
  right: {device: box-2, groups: [mains]}
"""
FILES = {"venue.yaml": VENUE, "rooms/hall.yaml": HALL}
SERIALS = {"SN-1": ("box-7",), "SN-2": ("box-8", "box-9")}


def take(text: str | bytes, serials=None, files=FILES) -> Imported:
    return imported("sheet.csv", text.encode() if isinstance(text, str) else text, files, serials)


def wrong(text: str | bytes, serials=None) -> list[str]:
    with pytest.raises(BadSheet) as caught:
        take(text, serials)
    return [str(one).removeprefix("sheet.csv:") for one in caught.value.complaints]


def positions(result: Imported, room: str) -> dict[str, Position]:
    return dict(load({**FILES, **result.files}).venue.rooms[room].positions)


def test_a_new_room_is_written():
    result = take(
        "room,room_name,position,device,output,x_m,y_m,z_m,groups,level_db,delay_ms,rack,circuit,curve,slot\n"
        "foyer,The Foyer,door,box-4,,0,-1.5,3,bar front,-12.5,3,R2/14,LP3-11,speech,5\n"
        "foyer,,desk,amp-1,3,,,,bar,,,,,,\n"
    )
    assert result.new_rooms == ("foyer",)
    assert result.files == {
        "rooms/foyer.yaml": """\
format: 1
room: foyer
name: The Foyer
house_curve: {curve: speech, slot: 5}
groups:
  bar: {}
  front: {}
positions:
  door:
    device: box-4
    at_m: [0, -1.5, 3]
    groups: [bar, front]
    level_db: -12.5
    delay_ms: 3
    rack: R2/14
    circuit: LP3-11
  desk: {device: amp-1, output: 3, groups: [bar]}
"""
    }
    assert positions(result, "foyer")["door"].references == References(rack="R2/14", circuit="LP3-11")


def test_a_room_that_is_there_is_extended_in_place():
    result = take("room,position,device,cable,groups\nhall,left,,C-1,\nhall,right,box-3,,\nhall,fill,box-5,,mains\n")
    assert result.new_rooms == ()
    assert result.files == {
        "rooms/hall.yaml": HALL.replace("groups: [mains]}   #", "groups: [mains], cable: C-1}   #")
        .replace("{device: box-2,", "{device: box-3,")
        .replace("box-3, groups: [mains]}\n", "box-3, groups: [mains]}\n  fill:  {device: box-5, groups: [mains]}\n")
    }
    assert take("room,position,device\nhall,left,box-1\n").files == {}, "what the files say already is not written"


def test_forty_rooms_of_one_template_and_a_sheet_of_serials():
    serials = {f"SN-{room}-{side}": (f"{side[0]}-{room}",) for room in range(101, 141) for side in ("left", "right")}
    rows = [f"class-{serial[3:6]},classroom,{serial[7:]},{serial}" for serial in serials]
    result = take("\n".join(["room,template,position,serial", *rows]), serials)
    assert len(result.new_rooms) == 40
    assert result.files["rooms/class-101.yaml"] == (
        "format: 1\nroom: class-101\ntemplate: classroom\ndevices:\n  left: l-101\n  right: r-101\n"
    )
    rooms = load({**FILES, **result.files}).venue.rooms
    found = {
        (p.device, p.output, p.fixed.level_db) for n, r in rooms.items() if n != "hall" for p in r.positions.values()
    }
    assert found == {(f"{side}-{n}", 1 + (side == "r"), -9) for n in range(101, 141) for side in "lr"}
    louder = {**FILES, **result.files, "venue.yaml": VENUE.replace("level_db: -9", "level_db: -7")}
    levels = {
        p.fixed.level_db for n, r in load(louder).venue.rooms.items() if n != "hall" for p in r.positions.values()
    }
    assert levels == {-7}


def test_rooms_of_a_template_are_extended_where_their_devices_stand():
    first = take("room,template,position,device\nclass-1,classroom,left,box-7\nclass-1,classroom,right,box-8\n")
    files = {**FILES, **first.files}
    again = take("room,position,device,cable\nclass-1,left,box-9,\nclass-1,right,,C-8\n", files=files)
    room = load({**files, **again.files}).venue.rooms["class-1"]
    assert [room.positions[name].device for name in ("left", "right")] == ["box-9", "box-8"]
    assert (room.positions["right"].references.cable, room.positions["right"].output) == ("C-8", 2)


@pytest.mark.parametrize(
    ("text", "levels"),
    [
        ("\ufeffroom,position,device,level_db\r\nfoyer,a,box-4,-6.5\r\n", [-6.5]),
        ("room;position;device;level_db\nfoyer;a;box-4;-6,5\n\n;;;\nfoyer;b;box-5;\u22123\n", [-6.5, -3]),
        ('room,position,device,level_db\nfoyer,a,box-4,"-0,125"\n', [-0.125]),
        ("Room \tPOSITION\tdevice\tlevel_db\t\nfoyer\t a \tbox-4\t+3\t\n", [3]),
    ],
)
def test_sheets_as_programs_write_them(text, levels):
    assert [p.fixed.level_db for p in positions(take(text), "foyer").values()] == levels


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", ["1:1: the sheet is empty; the first row names the columns"]),
        ("room,position,device\n", ["1:1: there are no rows below the header"]),
        (
            "room,positon,device,device\n",
            ["1:2: unknown column `positon`; did you mean `position`?", "1:4: column `device` is there twice",
             "1:1: there are no rows below the header"],
        ),
        (
            "room,position,device\nfoyer,a,box-4\n,b,box-5\n,c,\n",
            ["3:1: `room` (A3) is empty below `foyer` of line 2: merged cells export so; fill it in every row",
             "4:1: `room` (A4) is empty below `foyer` of line 2: merged cells export so; fill it in every row"],
        ),
        ("position,device\na,box-4\n", ["2:1: `room` is missing"]),
        (
            "room,position,device,x_m,y_m,z_m,level_db\nfoyer,a,box-4,12 ft,1,2,-6 dB\n",
            ["2:4: `x_m` (D2) wants a number in m, without the unit, got `12 ft`",
             "2:7: `level_db` (G2) wants a number in dB, without the unit, got `-6 dB`"],
        ),
        (
            'room,position,device,delay_ms\nfoyer,a,box-4,"1,500"\n',
            ["2:4: `delay_ms` (D2) may be read in two ways: `1,500`; write no thousands separator"],
        ),
        (
            "room;position;device;delay_ms\nfoyer;a;box-4;1.500\nfoyer;b;box-5;3,5\n",
            ["2:4: `delay_ms` (D2) may be read in two ways: `1.500`; write no thousands separator"],
        ),
        (
            "room,position,device,cable,level_db\nfoyer,a,box-4,=A1&B1,@x\nfoyer,b,box-5,-,-6\n",
            ["2:4: `cable` (D2) begins like a formula: `=A1&B1`; paste values, with no =, +, - or @ in front",
             "2:5: `level_db` (E2) begins like a formula: `@x`; paste values, with no =, +, - or @ in front",
             "3:4: `cable` (D3) begins like a formula: `-`; paste values, with no =, +, - or @ in front"],
        ),
        (
            "room,position,device,serial\nfoyer,a,box-4,S1\nfoyer,a,box-5,S1\nfoyer,b,box-4,S2\n",
            ["3:2: `position` (B3) `a` is in line 2 already", "3:4: `serial` (D3) `S1`, output 1, is in line 2 already",
             "4:3: `device` (C4) `box-4`, output 1, is in line 2 already"],
        ),
        (
            "room,position,device,output,slot\nFoyer,a,box 4,0,5\n",
            ["2:1: `room` (A2) is no name (lower case letters, digits and hyphens, at most 63): `Foyer`",
             "2:3: `device` (C2) is no device id (letters, digits and hyphens, at most 64): `box 4`",
             "2:4: `output` (D2) wants a whole number from 1 to 64, got `0`"],
        ),
        (
            "room,position,device,x_m,y_m,z_m,curve\nfoyer,a,box-4,1,,2,speech\nfoyer,b,box-5,,,,music\n",
            ["2:4: `x_m` (D2) is not a place by itself: give `y_m` too",
             "3:7: `curve` (G3) is of the whole room: `music` here, `speech` in line 2"],
        ),
        ("room,position,device\nfoyer,a,\n", ["2:3: `device` (C2) is missing; or give its `serial`"]),
        ("room,position\nhall,left,what\n", ["2:3: `what` stands in a column without a name"]),
        ('room,position,device\nfoyer,"a\nb",box-4\nfoyer,c,box-5,\n',
         ["2:2: B2 holds a line feed or a control character; write it in one line",
          "2:2: `position` (B2) is no name (lower case letters, digits and hyphens, at most 63): `a?b`"]),
        ('room,position,device\nfoyer,a,box-4\nfoyer,"b,box-5\n',
         ["3:1: this row cannot be read as CSV: unexpected end of data; save the sheet as CSV in UTF-8"]),
    ],
)  # fmt: skip
def test_mistakes_are_told_all_at_once_at_row_and_column(text, said):
    assert sorted(wrong(text)) == sorted(said)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("foyer,b,box-1,,,", "2:3: `device` (C2) is not free: output 1 of `box-1` serves `left` of room `hall`"),
        ("foyer,b,box-4,,loud,", "2:5: `curve` (E2) is not right: unknown curve `loud`; there is `speech`"),
        ("hall,b,box-4,front,,", "2:4: `groups` (D2) is not right: unknown group `front`; there is `mains`"),
        ("foyer,b,box-4,,,klass", "2:6: `template` (F2) is unknown: `klass`; there is `classroom`"),
        ("foyer,left,box-4,,,classroom", "2:6: `template` (F2) is not right: position `right` of template `classroom`"),
        ("venue,b,box-4,b,,", "2:2: `position` (B2) is not right: `b` is also a group of this room"),
    ],
)
def test_what_the_venue_s_files_would_refuse_is_told_at_the_row(text, said):
    (one,) = wrong(f"room,position,device,groups,curve,template\n{text}\n")
    assert one.startswith(said)


@pytest.mark.parametrize(
    ("row", "serials", "said"),
    [
        (",SN-1", None, "2:4: `serial` (D2) needs an inventory to find its device"),
        (",SN-9", SERIALS, "2:4: `serial` (D2) is of no device of the inventory: `SN-9`; did you mean `SN-"),
        (",SN-2", SERIALS, "2:4: `serial` (D2) is claimed by `box-8` and `box-9`; give the id"),
        ("box-4,SN-1", SERIALS, "2:4: `serial` (D2) is that of `box-7`, and not of `box-4`"),
    ],
)
def test_serials_that_find_no_one_device(row, serials, said):
    (one,) = wrong(f"room,position,device,serial\nfoyer,a,{row}\n", serials)
    assert one.startswith(said)


def test_a_serial_finds_its_device():
    assert positions(take("room,position,serial\nfoyer,a,SN-1\n", SERIALS), "foyer")["a"].device == "box-7"


@pytest.mark.parametrize(
    ("data", "said"),
    [
        ("room,position,device\nfoyer,a,box-4\nfoyer,entr\u00e9e,box-5\n".encode("latin-1"),
         ["3:11: byte 0xe9 is not UTF-8 (Latin-1, perhaps); save the sheet as CSV in UTF-8"]),
        ("room".encode("utf-16"), ["1:1: this is UTF-16, not UTF-8; save the sheet as CSV in UTF-8"]),
        (b"x" * 5_000_001, ["1:1: the file is larger than 5000000 bytes; split the sheet"]),
    ],
)  # fmt: skip
def test_bytes_that_are_no_utf_8_are_refused_with_their_line(data, said):
    assert wrong(data) == said


def test_columns_have_the_letters_that_spreadsheets_give_them():
    assert [letters(n) for n in (1, 26, 27, 52, 53, 702, 703)] == ["A", "Z", "AA", "AZ", "BA", "ZZ", "AAA"]


WORDS = (
    st.text("abc/-. 7äß,;'\"#:{}[]", min_size=1, max_size=12).map(str.strip).filter(lambda t: t and t[0] not in "=+-@")
)
DEVICES = ("a-1", "0412", "true", "1e3")
NUMBERS = st.integers(-5000, 5000).map(lambda n: n / 100)
ROWS = st.lists(
    st.fixed_dictionaries(
        {"room": st.sampled_from(["attic", "cellar", "yard-2"]), "device": st.sampled_from(DEVICES)},
        optional={
            "point": st.tuples(NUMBERS, NUMBERS, NUMBERS),
            "groups": st.lists(st.sampled_from(["g-a", "g-b", "null"]), unique=True, min_size=1),
            "level_db": NUMBERS,
            "delay_ms": NUMBERS.map(abs),
            **dict.fromkeys(("drawing", "cable", "rack", "circuit", "switch_port"), WORDS),
        },
    ),
    min_size=1,
    max_size=8,
)  # fmt: skip


@settings(deadline=None, max_examples=60)
@given(rows=ROWS, separator=st.sampled_from([",", ";", "\t"]), comma=st.booleans(), end=st.sampled_from(["\n", "\r\n"]))
def test_what_rows_say_is_what_the_rooms_want(rows, separator, comma, end):
    def number(value: float) -> str:
        return str(value).replace(".", ",") if comma else str(value)

    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS, delimiter=separator, lineterminator=end)
    writer.writeheader()
    for n, row in enumerate(rows):
        flat = {
            name: number(v) if isinstance(v, float) else v for name, v in row.items() if name not in ("point", "groups")
        }
        point = dict(zip(("x_m", "y_m", "z_m"), map(number, row.get("point", ())), strict=False))
        groups = {"groups": " ".join(row["groups"])} if "groups" in row else {}
        writer.writerow({**flat, **point, **groups, "position": f"p-{n}", "output": n + 1})
    result = take(out.getvalue())
    venue = load({**FILES, **result.files}).venue
    for n, row in enumerate(rows):
        found = venue.rooms[row["room"]].positions[f"p-{n}"]
        assert (found.device, found.output, found.at_m) == (row["device"], n + 1, row.get("point"))
        assert (found.fixed.level_db, found.fixed.delay_ms) == (row.get("level_db"), row.get("delay_ms"))
        assert found.groups == tuple(row.get("groups", ()))
        names = ("drawing", "cable", "rack", "circuit", "switch_port")
        assert found.references == References(**{name: row.get(name, "") for name in names})
    assert take(out.getvalue(), files={**FILES, **result.files}).files == {}, "the second time it is all there"


@settings(deadline=None, max_examples=100)
@given(
    st.one_of(
        st.binary(max_size=200),
        st.text('room,;position\tdevice"\r\n =-+@1\u202e\ud7ff\x00', max_size=80).map(str.encode),
        st.text('ab,1"\n\r=-\x85\u2028\x00', max_size=60).map(lambda t: f"room,position,device\n{t}".encode()),
    )
)
def test_whatever_is_in_a_file_is_taken_or_refused_in_words(data):
    complaints: tuple[Complaint, ...] = ()
    try:
        load({**FILES, **take(data).files})
    except BadSheet as refused:
        complaints = refused.complaints or (Complaint("none", 0, 0, "refused without a word"),)
    assert all(one.file == "sheet.csv" and one.line > 0 and one.column > 0 for one in complaints)
