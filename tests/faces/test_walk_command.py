"""The command walk: answers from a file and from a person, what is printed, and that all comes back however it ends."""

from __future__ import annotations

import io
import json
import sys
from pathlib import Path
from typing import Any

import pytest

from fleet.model.venue import Venue
from tests.faces.daemon_in_process import CommandLine, RunningDaemon, Said, golden
from tests.services.small_venue import FILES, FOYER, all_sound

ANSWERS = """\
format: 1
instrument: impedance meter
instrument_serial: "0412"
positions:
  fill:       {place: yes, source: yes, sound: yes, polarity: yes}
  main-left:  {place: yes, source: yes, sound: no, polarity: not sure, notes: rattles, level_db: 61.5}
  main-right: {skip: behind the scaffold}
"""
LINE = "line: {volts: 100, loudspeakers: [{count: 6, tap_w: 10}], amplifier_w: 120}"
ALL_YES = "y\ny\ny\ny\n"


class Terminal(io.StringIO):
    """A person at the keyboard."""

    def isatty(self) -> bool:
        return True


def with_line(daemon: RunningDaemon) -> Venue:
    foyer = FOYER.replace("desk: {device: box-4,", f"desk: {{device: box-4, {LINE},")
    return daemon.do(daemon.services.desired.load({**FILES, "rooms/foyer.yaml": foyer}, "ines")).version.venue


def listed(fleet: CommandLine) -> list[dict[str, Any]]:
    said = fleet("walk", "--list", "--json")
    walks: list[dict[str, Any]] = json.loads(said.out)["walks"]
    return walks


def test_walks_as_a_person_reads_them(daemon: RunningDaemon, fleet: CommandLine, tmp_path: Path) -> None:
    before = all_sound(daemon.driver)
    file = tmp_path / "answers.yaml"
    file.write_text(ANSWERS, encoding="utf-8")
    wrong: list[str] = []

    def run(name: str, *arguments: str) -> Said:
        said = fleet(*(str(file) if a == "answers.yaml" else a for a in arguments))
        wrong.extend(golden(name, said, *arguments))
        wrong.extend(f"{name}: wider than 80 columns: {line}" for line in said.err.splitlines() if len(line) > 80)
        return said

    run("walk-none", "walk", "--list")
    run("walk", "walk", "weir-hall", "--answers", "answers.yaml", "--as-baseline", "--yes")
    file.write_text(ANSWERS.replace("sound: no", "sound: yes").replace("61.5", "59.0"), encoding="utf-8")
    run("walk-again", "walk", "weir-hall", "--level-db", "-40", "--answers", "answers.yaml", "--yes")
    file.write_text(ANSWERS.replace("sound: no", "sound: yes").replace("61.5", "59.0"), encoding="utf-8")
    run("walk-group", "walk", "weir-hall", "--group", "mains", "--answers", "answers.yaml", "--yes")
    run("walk-list", "walk", "--list")
    run("walk-show", "walk", "--show", "walk-0001")
    run("walk-unknown", "walk", "--show", "walk-9")
    assert not wrong, "\n".join(wrong)
    assert all_sound(daemon.driver) == before


def test_a_walk_that_is_all_right_is_0_and_exported_whole(
    daemon: RunningDaemon, fleet: CommandLine, tmp_path: Path
) -> None:
    with_line(daemon)
    yes = "place: yes, source: yes, sound: yes, polarity: yes"
    file = tmp_path / "a.yaml"
    text = f"format: 1\ninstrument: meter\npositions:\n  desk: {{{yes}, impedance_ohm: 150}}\n  door: {{{yes}}}\n"
    file.write_text(text, encoding="utf-8")
    said = fleet("walk", "foyer", "--answers", str(file), "--yes", "--json")
    assert said.code == 0, said
    walk = json.loads(said.out)
    assert (walk["format"], walk["state"], walk["all_right"], walk["against"]) == ("fleet-walk/1", "done", True, None)
    desk = walk["heard"][0]
    assert desk["expected_ohm"] == pytest.approx(10_000 / 60), "Z = V²/P of six 10 W taps on 100 V"
    assert (desk["off_percent"], desk["line_is_right"]) == (pytest.approx(-10.0), True)
    assert json.loads(fleet("walk", "--show", walk["id"], "--json").out) == walk


def test_a_person_answers_goes_back_and_measures(
    daemon: RunningDaemon, fleet: CommandLine, monkeypatch: pytest.MonkeyPatch
) -> None:
    with_line(daemon)
    before = all_sound(daemon.driver)
    desk = f"{ALL_YES}hums a little\nsome\n100\n62,5\nlevel meter\n7\n"
    typed = ["y", "s", "b", desk.rstrip("\n"), "r", desk.replace("level meter\n7\n", "").rstrip("\n"), "n"]
    door = ["maybe", "y", "n", "?", "y", "", "", ""]
    monkeypatch.setattr(sys, "stdin", Terminal("\n".join([*typed, *door, ""])))
    said = fleet("walk", "foyer", "--json")
    assert said.code == 1, said
    walk = json.loads(said.out)
    first, second = walk["heard"]
    assert (first["position"], first["answers"]["notes"], first["answers"]["level_db"]) == (
        "desk",
        "hums a little",
        62.5,
    )
    assert (first["answers"]["instrument"], first["answers"]["instrument_serial"]) == ("level meter", "7")
    assert second["answers"]["source"] == "no"
    assert second["answers"]["sound"] == "not sure"
    assert [f["position"] for f in walk["findings"]] == ["desk", "door", "door"]
    assert "40 % lower" in walk["findings"][0]["words"]
    assert "Keep people clear" in said.err
    assert "Pause the source first" in said.err
    assert (walk["state"], walk["not_walked"]) == ("done", [])
    assert all_sound(daemon.driver) == before


@pytest.mark.parametrize(("typed", "code"), [("y\nq\n", 1), ("y\ny\n", 2), ("n\n", 2)])
def test_who_quits_leaves_or_says_no_has_everything_back(
    daemon: RunningDaemon, fleet: CommandLine, monkeypatch: pytest.MonkeyPatch, typed: str, code: int
) -> None:
    """The second one ends its input in the middle, which the prompt takes as it takes Ctrl-C."""
    before = all_sound(daemon.driver)
    monkeypatch.setattr(sys, "stdin", Terminal(typed))
    said = fleet("walk", "weir-hall")
    assert said.code == code, said
    assert all_sound(daemon.driver) == before
    assert [w["state"] for w in listed(fleet)] == ([] if typed == "n\n" else ["stopped"])
    assert ("as they were before the walk" in said.err) == (typed == "y\ny\n")


def test_what_was_quit_is_continued(daemon: RunningDaemon, fleet: CommandLine, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", Terminal(f"y\n{ALL_YES}\n\nq\n"))
    assert fleet("walk", "foyer").code == 1
    monkeypatch.setattr(sys, "stdin", Terminal(f"y\n{ALL_YES}\n\nn\n"))
    said = fleet("walk", "foyer", "--continue")
    assert said.code == 0, said
    assert [(w["id"], w["all_right"]) for w in listed(fleet)] == [("walk-0001", True)]


def test_a_box_that_fails_is_skipped_by_a_file_and_asked_about_with_a_person(
    daemon: RunningDaemon, fleet: CommandLine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    daemon.driver.devices["box-2"].epoch = 10**6
    file = tmp_path / "a.yaml"
    file.write_text(ANSWERS, encoding="utf-8")
    said = fleet("walk", "weir-hall", "--answers", str(file), "--yes")
    assert said.code == 1, said
    (walk,) = listed(fleet)
    assert len([n for n in walk["not_walked"] if "could not be tried" in n["words"]]) == 3
    monkeypatch.setattr(sys, "stdin", Terminal("y\nr\ns\nq\n"))
    said = fleet("walk", "weir-hall")
    assert said.code == 1, said
    assert said.err.count("could not be tried") == 3


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("walk",), "name a room to walk"),
        (("walk", "foyer", "--list"), "name a room to walk"),
        (("walk", "foyer", "--continue", "--level-db", "-20"), "goes on as the walk was begun"),
        (("walk", "foyer", "--yes"), "no terminal to answer at. Give --answers"),
        (("walk", "foyer", "--answers", "/nowhere.yaml"), "/nowhere.yaml: cannot be read"),
        (("walk", "attic", "--answers", "GOOD", "--yes"), "no room 'attic'"),
        (("walk", "foyer", "--answers", "GOOD"), "no terminal to ask at. Give --yes"),
        (("walk", "foyer", "--answers", "GOOD", "--yes", "--step-within", "5s"), "--step-within: 5 s for a position"),
    ],
)
def test_what_cannot_be_walked_is_told(
    daemon: RunningDaemon, fleet: CommandLine, tmp_path: Path, arguments: tuple[str, ...], words: str
) -> None:
    good = tmp_path / "good.yaml"
    good.write_text(ANSWERS, encoding="utf-8")
    said = fleet(*(str(good) if a == "GOOD" else a for a in arguments))
    assert (said.code, said.out) == (2, "")
    assert words in " ".join(said.err.split()), said.err
    assert listed(fleet) == []


def test_a_room_on_hold_is_refused(daemon: RunningDaemon, fleet: CommandLine, tmp_path: Path) -> None:
    daemon.do(daemon.services.holds.hold("foyer", "2h", "otto"))
    file = tmp_path / "a.yaml"
    file.write_text(ANSWERS, encoding="utf-8")
    said = fleet("walk", "foyer", "--answers", str(file), "--yes")
    assert said.code == 2
    assert "foyer is on hold by otto" in said.err
