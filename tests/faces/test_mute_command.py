"""`fleet mute` and `fleet unmute` as a person types them."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.faces.daemon_in_process import CommandLine, RunningDaemon, a_daemon, golden
from tests.services.level_venue import FILES, devices


@pytest.fixture
def bar(home: Path) -> Iterator[RunningDaemon]:
    """A daemon over a room of four boxes."""
    with a_daemon(home, devices(), loaded=False) as running:
        running.do(running.services.desired.load(FILES, "ines"))
        yield running


def silent(bar: RunningDaemon) -> list[str]:
    return [name for name, one in sorted(bar.driver.devices.items()) if one.mute_causes.get(1)]


def test_as_a_person_reads_it(bar: RunningDaemon, fleet: CommandLine) -> None:
    wrong: list[str] = []

    def run(name: str, *arguments: str) -> None:
        wrong.extend(golden(name, fleet(*arguments), *arguments))

    run("mute-plan", "mute", "bar", "--group", "pair", "--plan")
    run("mute", "mute", "bar", "--why", "a fire alarm test next door")
    run("mute-again", "mute", "bar")
    run("mute-rooms", "rooms")
    run("mute-room", "room", "bar")
    run("mute-diff", "diff", "bar")
    run("unmute", "unmute", "bar", "--yes")
    run("unmute-again", "unmute", "bar", "--yes")
    assert wrong == []
    assert silent(bar) == []


def test_a_mute_asks_nothing_and_an_unmute_asks_once(bar: RunningDaemon, fleet: CommandLine) -> None:
    assert fleet("mute", "bar", "--position", "counter").code == 0
    assert silent(bar) == ["box-1"]
    said = fleet("unmute", "bar")
    assert (said.code, silent(bar)) == (2, ["box-1"]), "nobody said yes"
    assert fleet("unmute", "bar", "--yes").code == 0
    assert silent(bar) == []


def test_the_documents(bar: RunningDaemon, fleet: CommandLine) -> None:
    done = json.loads(fleet("mute", "bar", "--json").out)
    assert (done["kind"], done["state"], done["plan"]["guards"]) == ("mute", "kept", [])
    room = json.loads(fleet("rooms", "--json").out)["rooms"][0]
    assert room["words"] == "muted by ines since 14:00"
    assert [(m["position"], m["who"]) for m in room["muted"]] == [
        (name, "ines") for name in ("counter", "door", "left", "right")
    ]


def test_a_box_that_does_not_answer_is_named_and_the_exit_code_says_so(bar: RunningDaemon, fleet: CommandLine) -> None:
    bar.driver.devices["box-2"].online = False
    bar.touched("box-2")
    said = fleet("mute", "bar")
    assert said.code == 1
    assert "left: box-2 is missing" in said.out
    assert silent(bar) == ["box-1", "box-3", "box-4"]
