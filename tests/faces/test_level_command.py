"""`fleet level` as a person types it: signs, ends, plans, and what is refused in words."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.faces.daemon_in_process import CommandLine, RunningDaemon, a_daemon, golden
from tests.services.level_venue import FILES, devices


@pytest.fixture
def bar(home: Path) -> Iterator[RunningDaemon]:
    """A daemon over a room whose levels have ranges."""
    with a_daemon(home, devices(), loaded=False) as running:
        running.do(running.services.desired.load(FILES, "ines"))
        yield running


def level_db(bar: RunningDaemon, device: str) -> float | None:
    return bar.driver.devices[device].live.outputs[1].level_db


def test_as_a_person_reads_it(bar: RunningDaemon, fleet: CommandLine) -> None:
    wrong: list[str] = []

    def run(name: str, *arguments: str) -> None:
        wrong.extend(golden(name, fleet(*arguments), *arguments))

    run("level-none-chosen", "level", "bar")
    run("level-plan", "level", "bar", "+2", "--until", "2h", "--plan")
    run("level", "level", "bar", "+2", "--until", "23:00", "--yes", "--why", "full house")
    run("level-too-far", "level", "bar", "+20", "--yes")
    run("level-fixed", "level", "foyer", "+2", "--yes")
    run("level-shown", "level", "bar")
    run("level-room", "room", "bar")
    assert wrong == []


def test_a_minus_is_a_step_and_no_option(bar: RunningDaemon, fleet: CommandLine) -> None:
    assert fleet("level", "bar", "-2", "--yes", "--group", "pair").code == 0
    assert (level_db(bar, "box-1"), level_db(bar, "box-2")) == (-10.0, -10.0)
    assert fleet("level", "bar", "--yes", "--position", "counter", "-1.5").code == 0
    assert level_db(bar, "box-1") == -11.5
    assert fleet("level", "bar", "--to-db", "-12", "-y").code == 0
    assert level_db(bar, "box-2") == -12.0


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        (("2",), "Write +2 for 2 dB louder"),
        (("12.5",), "or --to-db"),
        (("loud",), "'loud' is no step"),
        (("--grop", "pair"), "unexpected extra argument"),
        (("--grop",), "there is no option --grop"),
        (("-x",), "there is no option -x"),
        (("-2", "-3"), "-3"),
        (("+2", "--to-db", "-12"), "both given"),
        (("+2", "--until", "soon"), "is no time"),
        (("--until", "2h"), "no step and no level"),
        (("--to-db", "nan"), "is no level"),
        (("+inf",), "is no step"),
    ],
)
def test_what_is_mistyped_is_refused_and_nothing_moves(
    bar: RunningDaemon, fleet: CommandLine, typed: tuple[str, ...], words: str
) -> None:
    said = fleet("level", "bar", *typed, "--yes")
    assert said.code == 2
    assert words in said.err
    assert level_db(bar, "box-1") == -10.0


def test_the_documents_say_what_stands(bar: RunningDaemon, fleet: CommandLine) -> None:
    plan = json.loads(fleet("level", "bar", "+1", "--plan", "--json").out)
    assert (plan["format"], plan["kind"], plan["until"]) == ("fleet-plan/1", "level", "")
    change = json.loads(fleet("level", "bar", "+1", "--until", "2h", "--yes", "--json").out)
    assert (change["kind"], change["state"]) == ("level", "kept")
    shown = json.loads(fleet("level", "bar", "--position", "counter", "--json").out)
    assert shown["format"] == "fleet-levels/1"
    (counter,) = shown["levels"]
    assert (counter["level_db"], counter["range_db"]) == (-9.0, [-20.0, -4.0])
    assert (counter["chosen"]["who"], counter["chosen"]["change"]) == ("ines", change["id"])
    assert counter["until"] == "2031-05-17T14:00:00Z"


def test_a_recall_can_take_the_levels_of_the_slot(bar: RunningDaemon, fleet: CommandLine) -> None:
    fleet("level", "bar", "+2", "--yes")
    assert fleet("recall", "bar", "--yes").code == 0
    assert level_db(bar, "box-1") == -8.0
    assert fleet("recall", "bar", "--level-from-slot", "--yes").code == 0
    assert level_db(bar, "box-1") == -12.0
    refused = fleet("recall", "--every-room", "--level-from-slot", "--yes")
    assert refused.code == 2
    assert "--level-from-slot cannot go with --every-room" in refused.err


def test_a_level_on_hold_goes_by_who_asks(bar: RunningDaemon, fleet: CommandLine) -> None:
    bar.do(bar.services.holds.hold("bar", "2h", "tom"))
    assert fleet("level", "bar", "-1", "--yes").code == 0
    said = fleet("level", "bar", "+1", "--yes")
    assert said.code == 2
    assert "on hold" in said.err
    bar.do(bar.services.holds.release("bar"))
    bar.do(bar.services.holds.hold("bar", "2h", "ines"))
    assert fleet("level", "bar", "+1", "--yes").code == 0
