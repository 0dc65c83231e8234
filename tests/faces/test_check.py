"""`fleet check` without a daemon: findings and silence of a folder, the list of checks, one check explained."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from fleet.desired.check import CHECKS
from tests.faces.daemon_in_process import CommandLine, golden

VENUE = "format: 1\nname: The Weir\ntime_zone: Europe/Lisbon\n"
HALL = """\
format: 1
room: hall
groups: {g: {mute: true}}
positions:
  a: {device: box-1, groups: [g], silence: [{check: muted, reason: waits for its stand}]}
  b: {device: box-2, groups: [g]}
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    venue = tmp_path / "hall-venue"
    (venue / "rooms").mkdir(parents=True)
    (venue / "venue.yaml").write_text(VENUE, encoding="utf-8")
    (venue / "rooms" / "hall.yaml").write_text(HALL, encoding="utf-8")
    return venue


def document(fleet: CommandLine, *arguments: str, code: int) -> dict[str, Any]:
    said = fleet("check", *arguments, "--json")
    assert said.code == code, said
    plain: dict[str, Any] = json.loads(said.out)
    return plain


def test_what_is_silenced_is_listed_with_its_reason_and_not_counted(fleet: CommandLine, folder: Path) -> None:
    found = document(fleet, str(folder), code=1)
    assert found["format"] == "fleet-check/1"
    assert found["counts"] == {"warning": 1}
    assert [(f["name"], f["severity"], f["line"]) for f in found["findings"]] == [("muted", "warning", 3)]
    assert [(f["name"], f["text"], f["reason"]) for f in found["silenced"]] == [
        ("muted", "`a` is kept muted; say why with a `silence`", "waits for its stand")
    ]
    said = fleet("check", str(folder))
    text = "silenced: `a` is kept muted; say why with a `silence` [muted] (waits for its stand)"
    assert f"rooms/hall.yaml:3:14: {text}" in " ".join(said.out.split())
    assert said.out.endswith("0 errors, 1 warning, 0 notes, 1 silenced\n")


def test_silence_of_everything_ends_clean(fleet: CommandLine, folder: Path) -> None:
    hall = HALL.replace("groups: {g:", 'silence: [{check: muted, reason: "until friday"}]\ngroups: {g:')
    (folder / "rooms" / "hall.yaml").write_text(hall, encoding="utf-8")
    found = document(fleet, str(folder), code=0)
    assert found["findings"] == []
    assert {f["reason"] for f in found["silenced"]} == {"waits for its stand", "until friday"}


def test_every_check_is_listed_and_explained_without_a_daemon(fleet: CommandLine) -> None:
    every = document(fleet, "--list", code=0)
    assert every["format"] == "fleet-checks/1"
    assert [check["name"] for check in every["checks"]] == list(CHECKS)
    listed = fleet("check", "--list").out
    for check in every["checks"]:
        assert f"\n{check['name']} " in listed
        assert document(fleet, "--explain", check["name"], code=0)["checks"] == [check]
        said = " ".join(fleet("check", "--explain", check["name"]).out.split())
        for words in (check["seeks"], check["explains"], check["source"]):
            assert words in said
        assert ("cannot be silenced" in said) != (f"silence: [{{check: {check['name']}," in said)


def test_a_check_as_a_person_reads_it(fleet: CommandLine) -> None:
    assert (
        golden("check-explain", fleet("check", "--explain", "gradient-pair"), "check", "--explain", "gradient-pair")
        == []
    )


def test_an_unknown_check_is_trouble_with_a_suggestion(fleet: CommandLine) -> None:
    said = fleet("check", "--explain", "line-los")
    assert (said.code, said.out) == (2, "")
    assert said.err == "fleet: no check is named `line-los`; did you mean `line-loss`?\n"
