"""`fleet agree` as a person uses it: shown before it is taken, then everywhere while it stands, and handed over."""

from __future__ import annotations

import csv
import json
from datetime import timedelta
from pathlib import Path

import pytest

from fleet.model.settings import DeviceSettings, OutputSettings
from tests.faces.daemon_in_process import CommandLine, RunningDaemon, golden
from tests.services.small_venue import NOON

UNTIL = (NOON + timedelta(days=44)).date().isoformat()
SIGNED = ("--until", UNTIL, "--owner", "Ana", "--why", "balcony is closed")


@pytest.fixture
def foyer(daemon: RunningDaemon) -> RunningDaemon:
    """The foyer as desired, but for the desk, which is quieter."""
    for name, level_db in (("box-4", -20.0), ("box-5", -10.0)):
        box = daemon.driver.devices[name]
        box.live = DeviceSettings(outputs={1: OutputSettings(level_db=level_db)}).over(box.live)
        daemon.touched(name)
    return daemon


def test_what_is_agreed_is_shown_everywhere_and_does_not_count(foyer: RunningDaemon, fleet: CommandLine) -> None:
    assert fleet("diff", "foyer").code == 1
    said = fleet("agree", "foyer/desk", *SIGNED, "--yes")
    assert said.code == 0, said
    wrong = [
        *golden("agree", said, "agree", "foyer/desk", *SIGNED, "--yes"),
        *golden("agree-list", fleet("agree"), "agree"),
        *golden("agree-diff", fleet("diff", "foyer"), "diff", "foyer"),
        *golden("agree-room", fleet("room", "foyer"), "room", "foyer"),
        *golden("agree-apply", fleet("apply", "foyer", "--plan"), "apply", "foyer", "--plan"),
        *golden("agree-end", fleet("agree", "--end", "foyer/desk"), "agree", "--end", "foyer/desk"),
        *golden("agree-ended", fleet("agree"), "agree"),
    ]
    assert not wrong, "\n".join(wrong)
    assert fleet("diff", "foyer").code == 1


def test_a_whole_position_is_one_line_for_people_and_each_setting_in_the_documents(
    daemon: RunningDaemon, fleet: CommandLine
) -> None:
    said = fleet("agree", "weir-hall/fill", *SIGNED, "--yes")
    assert said.code == 0, said
    (listed,) = [line for line in fleet("agree").out.splitlines() if line.startswith("weir-hall/fill")]
    assert "Ana" in listed
    assert fleet("diff", "weir-hall").out.count("until 2031-06-30") == 1
    wrong = [
        *golden("agree-whole", said, "agree", "weir-hall/fill", *SIGNED, "--yes"),
        *golden("agree-whole-list", fleet("agree"), "agree"),
        *golden("agree-whole-diff", fleet("diff", "weir-hall"), "diff", "weir-hall"),
        *golden("agree-whole-apply", fleet("apply", "weir-hall", "--plan"), "apply", "weir-hall", "--plan"),
    ]
    assert not wrong, "\n".join(wrong)
    settings = [d["setting"] for d in json.loads(fleet("agree", "--json").out)["deviations"]]
    assert len(settings) == len(set(settings)) > 1


def test_the_documents_tell_owner_reason_and_end(foyer: RunningDaemon, fleet: CommandLine) -> None:
    agreed = json.loads(fleet("agree", "foyer/desk", "level_db", *SIGNED, "--yes", "--json").out)
    assert agreed["format"] == "fleet-deviations/1"
    (one,) = agreed["deviations"]
    assert (one["owner"], one["reason"], one["until"], one["stands"], one["found"]) == (
        *("Ana", "balcony is closed", UNTIL, True, "-20 dB"),
    )
    diff = json.loads(fleet("diff", "foyer", "--json").out)
    assert (diff["same"], diff["agreed"], diff["counts"]["serious"]) == (True, 1, 0)
    assert diff["differences"][0]["agreed"] == {"owner": "Ana", "reason": "balcony is closed", "until": UNTIL}
    rooms = {r["room"]: r for r in json.loads(fleet("rooms", "--json").out)["rooms"]}
    assert rooms["foyer"]["words"] == f"as it should be; 1 agreed deviation until {UNTIL}"
    assert rooms["foyer"]["same"]
    plan = json.loads(fleet("apply", "foyer", "--also-agreed", "--plan", "--json").out)
    assert ([d["device"] for d in plan["devices"]], plan["notes"]) == (["box-4"], [])


REFUSED = (
    (("foyer/desk",), "Give --until, --why and --owner"),
    (("desk", *SIGNED), "Name it as ROOM/POSITION"),
    (("foyer/door", *SIGNED, "--yes"), "foyer/door is as desired: there is nothing to agree to"),
    (("foyer/desk", "loudness", *SIGNED, "--yes"), "there is no setting 'loudness'"),
    (("weir-hall/horn", *SIGNED, "--yes"), "life safety"),
    (("foyer/desk", *SIGNED), "there is no terminal to ask at"),
    (("foyer/desk", "--until", "2031-05-16", "--owner", "Ana", "--why", "x", "--yes"), "2031-05-16 is past"),
    (("--until", UNTIL), "no position was given"),
    (("--end", "foyer/desk"), "no agreed deviation stands for foyer/desk"),
)


def test_what_is_refused_is_said_in_words(foyer: RunningDaemon, fleet: CommandLine) -> None:
    for arguments, words in REFUSED:
        said = fleet("agree", *arguments)
        assert (said.code, words in said.err) == (2, True), said
    assert fleet("agree").out == "no agreed deviations\n"


def test_the_hand_over_has_a_list_of_its_own(foyer: RunningDaemon, fleet: CommandLine, tmp_path: Path) -> None:
    fleet("agree", "foyer/desk", *SIGNED, "--yes")
    folder = tmp_path / "papers"
    assert fleet("handover", "foyer", "--out", str(folder)).code == 0
    with (folder / "deviations.csv").open(encoding="utf-8-sig", newline="") as file:
        (row,) = csv.DictReader(file)
    assert {name: row[name] for name in ("position", "setting", "owner", "reason", "until", "differs_now")} == {
        "position": "desk",
        "setting": "level_db",
        "owner": "Ana",
        "reason": "balcony is closed",
        "until": UNTIL,
        "differs_now": "yes",
    }
    page = (folder / "handover.html").read_text(encoding="utf-8")
    agreed = page[page.index('<section id="deviations"') :]
    assert "Ana: balcony is closed" in agreed
    assert UNTIL in agreed
    open_ones = page[page.index('<section id="differences"') : page.index('<section id="deviations"')]
    assert "10 dB quieter" not in open_ones
    assert "but for 1 agreed deviation" in page
