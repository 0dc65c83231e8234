"""The page of a hand-over by its structure, and that it tells what is so: unread, unproven, not walked, not covered."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import html5lib
import pytest

from fleet.faces.handover import rendered
from fleet.faces.handover.page import page
from fleet.faces.handover.words import NOT_COVERED, SAFETY
from fleet.model.settings import SlotContents
from fleet.model.walk import Answers, Heard, NotWalked, Step, Walk, WalkState
from fleet.services.handover.pack import HandOver
from tests.faces.handover_venue import FILES, FOYER, HALL, VENUE, devices, handing_over
from tests.services.small_venue import NOON, box

Element = ET.Element


async def gathered(folder: Path, room: str | None = None, **other: Any) -> HandOver:
    async with handing_over(folder, **other) as services:
        return await services.handing_over.gather(room, "ines", "spring")


def parsed(text: str) -> Element:
    """The document, read as browsers do; a mistake that they would mend is an error here."""
    parser = html5lib.HTMLParser(tree=html5lib.getTreeBuilder("etree"), strict=True, namespaceHTMLElements=False)
    root: Element = parser.parse(text)
    return root


def words(element: Element) -> str:
    return " ".join("".join(element.itertext()).split())


def section(root: Element, name: str) -> Element:
    found = root.find(f".//section[@id='{name}']")
    assert found is not None, name
    return found


def rows(element: Element) -> list[list[str]]:
    """Each row of the tables in an element, its cells as words."""
    return [[words(cell) for cell in row if cell.tag in ("th", "td")] for row in element.iterfind(".//tbody/tr")]


@pytest.fixture
async def venue(tmp_path: Path) -> Element:
    return parsed(page(await gathered(tmp_path)))


def test_the_document_is_well_built(venue: Element) -> None:
    assert venue.get("lang") == "en"
    headings = [int(e.tag[1]) for e in venue.iter() if re.fullmatch("h[1-6]", str(e.tag))]
    assert headings[0] == 1
    assert headings.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(headings))
    ids = [e.get("id") for e in venue.iter() if e.get("id")]
    assert len(ids) == len(set(ids))
    assert {a.get("href", "")[1:] for a in venue.iterfind(".//nav//a")} == {
        s.get("id") for s in venue.iterfind(".//section")
    }
    for table in venue.iter("table"):
        assert words(table.find("caption"))
        assert all(th.get("scope") for th in table.iter("th"))
    assert all(len(image.get("alt", "")) > 20 for image in venue.iter("img"))
    assert not list(venue.iter("script"))
    outside = [e.get(a, "") for e in venue.iter() for a in ("src", "href") if e.get(a)]
    assert [url for url in outside if not url.startswith(("#", "data:"))] == []


def test_it_says_what_it_does_not_cover_and_how_to_stay_safe(venue: Element) -> None:
    assert words(venue).count(NOT_COVERED) == 3
    assert [words(li) for li in section(venue, "safety").iter("li")] == list(SAFETY)
    assert words(section(venue, "walk")).count("was not walked") == 2, "neither room"
    assert "None are recorded" in words(section(venue, "deviations"))


def test_what_was_not_read_is_told_as_such_with_last_seen(venue: Element) -> None:
    schedule = {row[0]: row for row in rows(section(venue, "schedule"))}
    assert schedule["foyer/door"][-1] == "missing; not read, last seen 2031-05-17 14:00 CEST"
    assert schedule["foyer/desk"][-1] == "bound; read"
    assert schedule["no position"][1] == "spare-1"
    assert "drawing A-101" in schedule["weir-hall/main-left"][5]
    missed = {row[0]: row for row in rows(section(venue, "not-checked"))}
    assert missed["foyer/door"][2].startswith("missing: ")
    assert missed["weir-hall/horn"][2].startswith("life safety: ")
    assert missed["box-3"][2] == "the device does not tell what the slot holds"
    foyer = rows(section(venue, "room-1"))
    assert ["level", "-10 dB", "-6 dB"] in foyer
    assert any(row[-3:] == ["level", "-10 dB", "not read"] for row in foyer)
    assert "door has no curve" in words(section(venue, "room-1"))


def test_the_delay_is_worked_out_by_the_numbers_it_was_computed_with(venue: Element) -> None:
    """13.208 m and 4.104 m at 343.785 m/s (ISO 9613-1:1993, Annex A, 21 °C) are 26.481 ms apart; the offset is 8 ms."""
    working = next(row for row in rows(section(venue, "room-2")) if len(row) == 9)
    assert working == [
        *("fill", "13.208 m", "4.104 m", "26.481 ms", "8.000 ms", "0.000 ms", "0.000 ms", "0.000 ms", "34.481 ms")
    ]
    assert "21 °C and 343.785 m/s" in words(section(venue, "room-2"))


def test_lines_taps_and_who_signed_for_them(venue: Element) -> None:
    """50 W at 100 V are 200 ohm; 80 m of 1.5 mm² are 2.128 ohm of loop: 20 lg(202.128 / 200) = 0.09 dB."""
    found = rows(section(venue, "lines"))
    assert found[0] == [
        *("weir-hall/bar-line", "amp-1, output 1", "100 V", "50 W", "60 W (83 %); 200 W in all", "200 ohm", "…… ohm"),
        *("80 m, 1.5 mm²", "0.09 dB"),
    ]
    assert ["weir-hall/bar-line", "4: over the counter", "ceiling-6", "10 W", *_SIGNED] in found
    assert ["weir-hall/bar-line", "2: at the door", "ceiling-6", "5 W", "not recorded", "not recorded"] in found
    assert "4 of 6 taps recorded as set, 4 as checked" in words(section(venue, "lines"))


_SIGNED = ("Ana Reis, 2031-04-28", "Jo Lund, 2031-04-29")


def test_the_house_curve_is_proven_or_not(venue: Element) -> None:
    proof = {row[0]: row[4] for row in rows(section(venue, "slots"))}
    assert proof == {
        "amp-1": "differs from what is desired",
        "box-1": "equal to what is desired",
        "box-2": "equal to what is desired",
        "box-3": "could not be read",
        "box-4": "no house-curve slot",
        "box-5": "device not read",
        "box-9": "left alone",
    }
    panel = {row[0]: row[2] for row in rows(section(venue, "panel"))}
    assert panel == {**dict.fromkeys(("amp-1", "box-1", "box-2", "box-3"), "5"), **dict.fromkeys(_NO_SLOT, "none")}


_NO_SLOT = ("box-4", "box-5", "box-9")


def test_two_firmwares_of_a_model_are_pointed_out(venue: Element) -> None:
    assert ["Brae 10", "1.3.9 (this model has several)", "1: box-3"] in rows(section(venue, "firmware"))
    assert ["Sluice 2", "1.4.0", "1: amp-1"] in rows(section(venue, "firmware"))


async def test_silenced_findings_stand_with_their_reasons(tmp_path: Path) -> None:
    silenced = 'silence: [{check: no-group, reason: "it has but two boxes"}]\n'
    pack = await gathered(tmp_path, "foyer", files={**FILES, "rooms/foyer.yaml": FOYER + silenced})
    found = rows(section(parsed(page(pack)), "checks"))
    assert any(row[0] == "no-group" and row[2] == "it has but two boxes" for row in found)
    assert not any("weir-hall" in " ".join(row) for row in found), "a room's hand-over holds that room's findings"


def walk_of(room: str, name: str, **other: Any) -> Walk:
    """A walk over two positions, of which one was heard."""
    step = Step(position="bar-line", device="amp-1", output=1, serial="SN-amp-1", level_db=-30, was_db=-10, at=NOON)
    answers = Answers(
        **dict.fromkeys(("place", "source", "sound"), "yes"),
        polarity="not sure",
        notes="rattles",
        impedance_ohm=195.0,
        instrument="bridge",
        instrument_serial="Z-7",
    )
    heard = Heard(step=step, answers=answers, who="jo", at=NOON)
    horn = NotWalked(position="horn", device="box-9", words="it serves life safety", life_safety=True)
    return Walk(
        **{"id": name, "room": room, "who": "jo", "began": NOON, "state": WalkState.DONE, "level_db": -30, **other},
        step_within_s=600,
        positions=("bar-line", "fill", "horn"),
        heard=(heard,),
        not_walked=(horn,),
    )


async def test_the_last_walk_of_a_room_is_shown_with_what_it_left_out(tmp_path: Path) -> None:
    async with handing_over(tmp_path) as services:
        await services.store.save_walk(walk_of("weir-hall", "walk-1", began=NOON - timedelta(days=1), who="ana"))
        await services.store.save_walk(walk_of("weir-hall", "walk-2"))
        pack = await services.handing_over.gather(None, "ines")
    files = rendered(pack)
    root = parsed(files["handover.html"])
    walk = section(root, "walk")
    answers = ["yes", "yes", "yes", "not sure", "195 ohm, bridge Z-7", "rattles"]
    assert rows(walk) == [["bar-line", "2031-05-17 14:00 CEST, jo", *answers]]
    assert [words(li) for li in walk.iter("li")] == [
        "horn was not walked: it serves life safety",
        "fill was not walked: the walk did not come to it",
    ]
    assert "Walk walk-2 by jo, begun 2031-05-17 14:00 CEST: done." in words(walk)
    assert "Foyer was not walked" in words(walk)
    assert rows(section(root, "lines"))[0][6] == "195 ohm, 2031-05-17 14:00 CEST"
    assert "weir-hall,bar-line,amp-1,1,SN-amp-1,2031-05-17 14:00 CEST,jo,yes,yes,yes,not sure,195" in files["walk.csv"]
    assert "walk.csv" not in rendered(replace(pack, walks=()))


async def test_the_snapshot_in_the_pack_is_the_one_it_was_made_from(tmp_path: Path) -> None:
    async with handing_over(tmp_path) as services:
        pack = await services.handing_over.gather("weir-hall", "ines")
        kept = await services.snapshots.get(pack.snapshot.id)
    files = rendered(pack)
    assert kept.sha256 == pack.snapshot.sha256
    assert files["handover.html"].count(kept.sha256) == 2
    assert f'"sha256":"{kept.sha256}"' in files["snapshot.json"]


HOSTILE = '<script>alert(1)</script><img src=x onerror="alert(2)">\u202e{{ 7*7 }}{% raw %}&lt;' + "W" * 10_000


async def test_hostile_names_stay_text_and_short(tmp_path: Path) -> None:
    quoted = HOSTILE[:190].replace("'", "''")
    room = HALL.replace("name: Weir Hall", f"name: '{quoted}'").replace("over the counter", f"'{quoted}'")
    room = room.replace("Ana Reis", f"'{quoted}'").replace("people stand close to it", f"'{quoted}'")
    room = room.replace("drawing: A-101, cable: L1", f"drawing: '{quoted}', cable: '=1+1'")
    made = devices()
    spoken = box("box-1", model=HOSTILE, firmware=HOSTILE, serial=HOSTILE, inputs=[HOSTILE])
    spoken.live = replace(spoken.live, input=HOSTILE)
    spoken.slots[5] = SlotContents(slot=5, name=HOSTILE, outputs=spoken.slots[5].outputs)
    spoken.active_slot = 5
    files = {**FILES, "venue.yaml": VENUE.replace("Harbour House", f"'{quoted}'"), "rooms/weir-hall.yaml": room}
    found = rendered(await gathered(tmp_path, files=files, made=[spoken, *made[1:]]))
    root = parsed(found["handover.html"])
    assert not list(root.iter("script"))
    assert all(image.get("src", "").startswith("data:image/svg+xml;base64,") for image in root.iter("img"))
    assert not [e for e in root.iter() if any(str(name).startswith("on") for name in e.attrib)]
    told = words(root)
    assert "<script>alert(1)</script>" in told
    assert "{{ 7*7 }}" in told, "text is not a template"
    assert "\u202e" not in found["handover.html"]
    assert "W" * 600 not in found["handover.html"]
    assert "'=1+1" in found["devices.csv"]
    for name, text in found.items():
        assert name == "snapshot.json" or ("\u202e" not in text and "W" * 600 not in text), name


async def test_a_room_without_positions_and_a_venue_without_devices_are_told_plainly(tmp_path: Path) -> None:
    files = {"venue.yaml": VENUE, "rooms/attic.yaml": "format: 1\nroom: attic\n"}
    root = parsed(page(await gathered(tmp_path, files=files, made=[])))
    assert "This room has no positions." in words(section(root, "room-1"))
    assert "no line and no low-impedance load" in words(section(root, "lines"))
    assert "No device has told its firmware." in words(section(root, "firmware"))
