"""Room files with mistakes: all complaints at once by file, line and column, nothing put in force, nothing sent."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
from running import DEMO_VENUE, Running

ROOM = "rooms/rehearsal-room.yaml"
GOOD = (DEMO_VENUE / ROOM).read_text(encoding="utf-8")
PLACED = re.compile(r"^(?:fleet: )?(?P<file>[\w./-]+\.yaml):(?P<line>\d+):(?P<column>\d+): (?P<text>.+)$", re.MULTILINE)

MISTAKES = {
    "unknown key": ("    level_db: -10\n", "    levle_db: -10\n", "levle_db"),
    "unit written with the number": ("    level_db: -10\n", "    level_db: -10dB\n", "-10dB"),
    "no number at all": ("    level_db: -8\n", "    level_db: loud\n", "loud"),
    "number no loudspeaker has": ("frequency_hz: 30}", "frequency_hz: -30}", "-30"),
    "key written twice": ("    level_db: -10\n", "    level_db: -10\n    level_db: -12\n", "written twice"),
    "unknown group": ("groups: [front, subs]", "groups: [front, subz]", "subz"),
}
DISAGREEING = ("groups: [front, subs]", "groups: [front, subs, tops]", "disagree")


def folder_with(text: str, folder: Path) -> Path:
    """The demo venue with another text of the one room."""
    copy = folder / "venue"
    shutil.copytree(DEMO_VENUE, copy)
    (copy / ROOM).write_text(text, encoding="utf-8")
    return copy


def changed(*mistakes: tuple[str, str, str]) -> str:
    text = GOOD
    for right, wrong, _ in mistakes:
        assert text.count(right) == 1, right
        text = text.replace(right, wrong)
    return text


@pytest.mark.parametrize("mistake", [*MISTAKES.values(), DISAGREEING], ids=[*MISTAKES, "groups that disagree"])
def test_a_mistake_is_named_where_it_is_and_nothing_is_sent(
    venue: Running, tmp_path: Path, mistake: tuple[str, str, str]
) -> None:
    text = changed(mistake)
    mark = venue.recorder.mark()
    ran = venue.commands.run("load", str(folder_with(text, tmp_path)), code=2)
    complaints = list(PLACED.finditer(ran.err))
    assert complaints, ran.err
    assert all(one["file"] == ROOM for one in complaints)
    named = [one for one in complaints if mistake[2] in one["text"]]
    assert named, ran.err
    lines = text.splitlines()
    for one in complaints:
        assert int(one["column"]) <= len(lines[int(one["line"]) - 1])
    assert any(int(one["line"]) in _changed_lines(text) for one in named)
    assert ran.out == ""
    assert venue.recorder.asked_since(mark) == []


def test_all_mistakes_are_told_at_once_in_the_order_of_their_places(venue: Running, tmp_path: Path) -> None:
    mistakes = [MISTAKES[name] for name in ("key written twice", "no number at all", "number no loudspeaker has")]
    ran = venue.commands.run("load", str(folder_with(changed(*mistakes), tmp_path)), code=2)
    complaints = list(PLACED.finditer(ran.err))
    for _, _, word in mistakes:
        assert any(word in one["text"] for one in complaints), ran.err
    places = [(int(one["line"]), int(one["column"])) for one in complaints]
    assert places == sorted(places)
    assert venue.commands.json("load", str(DEMO_VENUE))["unchanged"] is True, "what was in force still is"


def test_a_bad_folder_is_refused_by_check_too(venue: Running, tmp_path: Path) -> None:
    folder = folder_with(changed(MISTAKES["unknown key"]), tmp_path)
    assert "levle_db" in venue.commands.run("check", str(folder), code=2).err


def test_a_folder_that_is_no_venue_is_refused_with_what_a_venue_is(venue: Running, tmp_path: Path) -> None:
    ran = venue.commands.run("load", str(tmp_path), code=2)
    assert "venue.yaml" in ran.err


def _changed_lines(text: str) -> set[int]:
    """Numbers of the lines that the good file does not have, and of the position's line where only that changed."""
    good = set(GOOD.splitlines())
    return {number for number, line in enumerate(text.splitlines(), 1) if line not in good}
