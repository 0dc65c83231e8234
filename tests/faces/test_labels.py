"""Labels: what stands on them, codes that a reader reads, and nothing that a name could smuggle in."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest
import zxingcpp

from fleet.faces.labels import Label, document, sheets
from tests.faces.daemon_in_process import CommandLine, RunningDaemon, golden
from tests.services.small_venue import FILES

SVG = "{http://www.w3.org/2000/svg}"
PIXELS = 8
"""Of a module of a code, for the reader."""


def label(**other: object) -> Label:
    base = {
        "position": "main-left",
        "room": "Weir Hall",
        "device": "box-1",
        "output": 1,
        "serial": "SN-1",
        "life_safety": False,
        "references": (),
        "url": "http://fleet.example/v1/devices/box-1",
    }
    return Label(**{**base, **other})  # type: ignore[arg-type]


def words(sheet: str) -> list[str]:
    return [text.text or "" for text in ET.fromstring(sheet).iter(f"{SVG}text")]


def codes(sheet: str) -> list[str]:
    """What a reader reads in each code, drawn from its path."""
    found = []
    for code in (svg for svg in ET.fromstring(sheet).iter(f"{SVG}svg") if svg.get("class") == "code"):
        side = int(code.attrib["viewBox"].split()[2])
        page = np.full((side, side), 255, dtype=np.uint8)
        path = code.find(f"{SVG}path")
        assert path is not None
        for x, y in re.findall(r"M(\d+) (\d+)h1v1h-1z", path.attrib["d"]):
            page[int(y), int(x)] = 0
        (result,) = zxingcpp.read_barcodes(page.repeat(PIXELS, 0).repeat(PIXELS, 1))
        found.append(result.text)
    return found


def test_a_label_says_what_stands_where_and_its_code_opens_the_device():
    one = label(output=2, references=(("rack", "R2/14"), ("switch port", "SW-2/17")))
    (sheet,) = sheets([one, label(serial="", life_safety=True)])
    assert words(sheet) == [
        *("main-left", "Weir Hall", "box-1, output 2", "serial SN-1", "rack R2/14", "switch port SW-2/17"),
        *("main-left", "Weir Hall", "LIFE SAFETY", "box-1"),
    ]
    assert codes(sheet) == ["http://fleet.example/v1/devices/box-1"] * 2


def test_a_sheet_holds_ten_labels_inside_of_the_page():
    many = sheets([label(position=f"p-{n}") for n in range(23)])
    assert [len(codes(sheet)) for sheet in many] == [10, 10, 3]
    places = re.findall(r"translate\((\d+) (\d+)\)", many[0])
    assert max(int(x) for x, _ in places) + 95 <= 210
    assert max(int(y) for _, y in places) + 53 <= 297


def test_text_that_fills_all_lines_stays_on_the_label():
    full = label(output=9, life_safety=True, references=[(name, "W" * 200) for name in ("a", "b", "c", "d", "e")])
    (sheet,) = sheets([full])
    assert max(float(text.attrib["y"]) for text in ET.fromstring(sheet).iter(f"{SVG}text")) < 53
    assert all(len(text) <= 41 for text in words(sheet))


def test_long_text_is_set_smaller_before_it_is_cut():
    (sheet,) = sheets([label(position="balcony-front-fill-outer-2", room="R" * 60)])
    assert words(sheet)[:2] == ["balcony-front-fill-outer-2", "R" * 36 + "…"]
    sizes = [float(text.attrib["font-size"]) for text in ET.fromstring(sheet).iter(f"{SVG}text")]
    assert 2.4 < sizes[0] < 5
    assert sizes[1] == 2.4


def test_a_hostile_name_is_only_text():
    bad = label(room="</text><script>alert(1)</script>", device='"&<', serial="\x07\u202e]]>", position="<b>")
    (sheet,) = sheets([bad])
    assert {element.tag.removeprefix(SVG) for element in ET.fromstring(sheet).iter()} == {
        "svg",
        "g",
        "rect",
        "text",
        "path",
    }
    page = document([bad], "</title><script>")
    assert "<script" not in page
    assert "\x07" not in page


def test_a_page_needs_nothing_from_anywhere():
    page = document([label(url="http://127.0.0.1/x")] * 11, "Labels")
    assert page.count("<svg xmlns") == 2
    assert not re.findall(r"\b(?:src|href|url)\b", page)


@pytest.fixture
def labelled(daemon: RunningDaemon) -> RunningDaemon:
    hall = FILES["rooms/weir-hall.yaml"].replace("{device: box-1,", "{device: box-1, drawing: A-201/7,")
    daemon.do(daemon.services.desired.load({**FILES, "rooms/weir-hall.yaml": hall}, "ines"))
    return daemon


def test_labels_of_a_room(labelled: RunningDaemon, fleet: CommandLine, tmp_path: Path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    url = "http://fleet.example:8400/v1/"
    typed = ("labels", "weir-hall", "--out", "hall.svg", "--url", url)
    assert golden("labels", fleet(*typed), *typed) == []
    sheet = Path("hall.svg").read_text(encoding="utf-8")
    assert words(sheet) == [
        *("fill", "Weir Hall", "box-3", "serial SN-box-3"),
        *("horn", "Weir Hall", "LIFE SAFETY", "box-9", "serial SN-box-9"),
        *("main-left", "Weir Hall", "box-1", "serial SN-box-1", "drawing A-201/7"),
        *("main-right", "Weir Hall", "box-2", "serial SN-box-2"),
    ]
    assert codes(sheet) == [f"{url}devices/box-{n}" for n in (3, 9, 1, 2)]


def test_labels_of_every_room_lead_to_the_daemon_and_say_that_phones_cannot(
    labelled: RunningDaemon, fleet: CommandLine, tmp_path: Path
) -> None:
    said = fleet("labels", "--every-room", "--out", str(tmp_path / "all.html"), "--json")
    assert json.loads(said.out)["labels"] == 6
    assert (tmp_path / "all.html").read_text(encoding="utf-8").count('class="code"') == 6
    assert "give --url" in fleet("labels", "--every-room", "-o", str(tmp_path / "all.html")).err


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        (["weir-hall"], "name the file with --out"),
        (["weir-hall", "--out", "x.pdf"], "name the file with --out"),
        (["--out", "x.svg"], "name a room, or take --every-room"),
        (["attic", "--out", "x.svg"], "no room 'attic'"),
        (["weir-hall", "--out", "no/such/x.svg"], "cannot be written"),
        (["weir-hall", "--out", "x.svg", "--url", "javascript:alert(1)"], "not an address of a web page"),
        (["weir-hall", "--out", "x.svg", "--url", "http://[::1"], "not an address of a web page"),
        (["weir-hall", "--out", "x.svg", "--url", "http://h/?q=1"], "not an address of a web page"),
    ],
)
def test_what_cannot_be_printed_is_said(labelled, fleet: CommandLine, tmp_path, monkeypatch, typed, said) -> None:
    monkeypatch.chdir(tmp_path)
    refused = fleet("labels", *typed)
    assert refused.code == 2
    assert said in refused.err
    assert "fault of this program" not in refused.err
