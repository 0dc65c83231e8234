"""Modes by command line and API: recalled, stored, shown in words, completed, refused."""

from __future__ import annotations

import json
from typing import Any

import httpx
import pytest
import typer

from fleet.faces.cli import completing
from fleet.faces.cli.client import find
from fleet.faces.cli.main import build_cli
from tests.faces.daemon_in_process import CommandLine, RunningDaemon
from tests.services.modes_venue import EVERY_GUARD, FILES_WITH_MODES

ALLOW = ("--yes", *(word for guard in EVERY_GUARD for word in ("--allow", guard)))


@pytest.fixture
def modes(daemon: RunningDaemon) -> RunningDaemon:
    """The daemon with a venue whose rooms have modes."""
    daemon.do(daemon.services.desired.load(FILES_WITH_MODES, "ines"))
    return daemon


@pytest.mark.usefixtures("modes")
def test_a_recall_says_the_mode_and_the_rooms_show_it(fleet: CommandLine) -> None:
    before = fleet("rooms").out
    assert "mode" not in before
    assert "  mode:   in no mode (house)\n" in fleet("room", "weir-hall").out
    said = fleet("recall", "weir-hall", "--mode", "night", *ALLOW)
    assert said.code == 0, said
    assert said.out.startswith("recall weir-hall in mode night:\n")
    assert "  mode:  weir-hall: house to night\n" in said.out
    assert "; in mode night" in " ".join(fleet("rooms").out.split())
    out = fleet("room", "weir-hall").out
    assert "  mode:   in mode night since 2031-05-17 14:00 CEST, by ines\n" in out
    there = "modes: combined (with foyer in combined), divided (with foyer in quiet), night, speech"
    assert there in " ".join(out.split())


@pytest.mark.usefixtures("modes")
def test_combined_rooms_are_told_and_recalled_together(fleet: CommandLine) -> None:
    plan = json.loads(fleet("recall", "foyer", "--mode", "combined", "--plan", "--json").out)
    assert plan["modes"] == {name: {"was": "house", "then": "combined"} for name in ("foyer", "weir-hall")}
    done = fleet("recall", "foyer", "--mode", "combined", *ALLOW, "--json")
    assert done.code == 0, done
    assert json.loads(done.out)["plan"]["rooms"] == ["foyer", "weir-hall"]
    rooms = {one["room"]: one for one in json.loads(fleet("rooms", "--json").out)["rooms"]}
    assert {name: one["mode"] for name, one in rooms.items()} == {"foyer": "combined", "weir-hall": "combined"}
    assert rooms["foyer"]["mode_by"] == "ines"
    assert rooms["foyer"]["modes"] == [
        {"mode": "combined", "name": "combined", "together_with": {"weir-hall": "combined"}},
        {"mode": "quiet", "name": "quiet", "together_with": {"weir-hall": "divided"}},
    ]


@pytest.mark.usefixtures("modes")
def test_a_mode_is_stored_into_its_own_slot(fleet: CommandLine) -> None:
    said = fleet("store", "weir-hall", "--mode", "speech", "--yes")
    assert said.code == 0, said
    assert said.out.startswith("store weir-hall in mode speech:\n")
    refused = fleet("store", "weir-hall", "--mode", "night", "--yes")
    assert refused.code == 2
    assert "mode night of weir-hall has no slot of its own" in refused.err


@pytest.mark.usefixtures("modes")
@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("weir-hall", "--mode", "nigth"), "has no mode 'nigth'. Modes: combined, divided, night, speech, house."),
        (("weir-hall", "--mode", "night", "--group", "mains"), "a mode is of a whole room"),
        (("--every-room", "--mode", "night"), "--mode cannot go with --every-room"),
    ],
)
def test_what_cannot_be_asked_for_is_refused(fleet: CommandLine, words: tuple[str, ...], said: str) -> None:
    refused = fleet("recall", *words, "--yes")
    assert refused.code == 2
    assert said in refused.err


def test_the_api_takes_and_tells_modes(modes: RunningDaemon) -> None:
    told = find(modes.home)
    headers = {"Authorization": f"Bearer {told.token}"}

    def post(path: str, body: dict[str, Any]) -> httpx.Response:
        return httpx.post(f"{told.url}/v1{path}", json=body, headers=headers, trust_env=False)

    asked = {"kind": "recall", "room": "weir-hall", "mode": "night"}
    plan = post("/plans", asked).json()
    assert plan["modes"] == {"weir-hall": {"was": "house", "then": "night"}}
    assert post("/plans", {**asked, "mode": "nosuch"}).status_code == 404
    started = post("/changes", {**asked, "digest": plan["digest"], "who": "mara", "allow": list(EVERY_GUARD)}).json()
    assert started["plan"]["modes"] == plan["modes"]
    other = post("/changes", {"kind": "recall", "room": "weir-hall", "digest": plan["digest"], "who": "mara"})
    assert other.status_code == 409, "the digest names a plan with its mode"


def test_modes_are_completed(modes: RunningDaemon) -> None:
    context = typer.Context(typer.main.get_command(build_cli(lambda _: None)))
    context.params.update(room="foyer", home=str(modes.home))
    assert [name for name, _ in completing.modes(context, "")] == ["combined", "quiet", "house"]
