"""Louder and softer on simulated devices: by command, at the box, through a recall and a power cut, and for a time."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from running import Running, a_room_of_three, eventually

from fleet.faces.cli.client import find

Json = dict[str, Any]

BAR = """\
format: 1
room: bar
curves: {plain: []}
house_curve: {curve: plain, slot: 5}
defaults: {level_db: -12, mute: false}
positions:
  counter: {device: box-1, level_db: {between: [-20, -4]}}
  window:  {device: box-2, level_db: {between: [-20, -4]}}
  door:    {device: box-3}
"""


@pytest.fixture(scope="module")
def bar(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    with a_room_of_three(tmp_path_factory.mktemp("bar"), "bar", BAR) as started:
        yield started


def levels(bar: Running) -> dict[str, Json]:
    found = find(bar.commands.home).get("/rooms/bar/levels")["levels"]
    return {one["position"]: one for one in found}


def told(bar: Running) -> list[float | None]:
    found = levels(bar)
    return [found[name]["level_db"] for name in ("counter", "window", "door")]


def test_a_command_and_a_hand_at_the_box_turn_what_a_recall_keeps(bar: Running) -> None:
    bar.commands.run("level", "bar", "+2", "--yes", code=0)
    assert told(bar) == [-10.0, -10.0, -12.0]
    bar.simulators("panel", "box-1", "level", "-15")
    eventually("the hand at the box is followed", lambda: levels(bar)["counter"]["chosen"]["who"] == "at the box")
    assert bar.commands.json("diff", "bar")["same"], "a level inside of its range is no drift"
    bar.simulators("panel", "box-1", "recall", "1")
    bar.commands.run("recall", "bar", "--yes", code=0)
    assert told(bar) == [-15.0, -10.0, -12.0]


def test_it_comes_back_after_a_power_cut(bar: Running) -> None:
    bar.commands.run("level", "bar", "--to-db", "-7", "--position", "window", "--yes", code=0)
    bar.simulators("power-cut", "box-2")
    bar.simulators("panel", "box-2", "recall", "5")
    bar.commands.run("recall", "bar", "--yes", code=0)
    assert told(bar)[1] == -7.0
    assert levels(bar)["window"]["chosen"]["level_db"] == -7.0


def test_it_is_taken_back_at_its_end(bar: Running) -> None:
    before = told(bar)
    soon = (datetime.now(UTC) + timedelta(seconds=15)).isoformat(timespec="seconds")
    bar.commands.json("level", "bar", "-2", "--until", soon, "--yes", "--why", "a speech")
    eventually("its end was taken", lambda: not any(one["until"] for one in levels(bar).values()))
    assert told(bar) == before
    ended = find(bar.commands.home).get("/changes")["changes"][0]
    assert (ended["kind"], ended["state"], "is up" in ended["why"]) == ("level", "kept", True)


def test_all_or_nothing_with_the_step_that_is_possible(bar: Running) -> None:
    bar.commands.run("level", "bar", "--to-db", "-5", "--yes", code=0)
    before = told(bar)
    said = bar.commands.run("level", "bar", "+3", "--yes", code=2).said
    assert "+1 is possible for all of them" in said
    assert told(bar) == before


def test_a_mute_is_silence_at_once_and_comes_back_and_a_hand_at_the_box_is_left_alone(bar: Running) -> None:
    def words() -> str:
        return str(find(bar.commands.home).get("/rooms")["rooms"][0]["words"])

    before = told(bar)
    bar.commands.run("mute", "bar", code=0)
    assert "muted by" in words()
    assert bar.commands.json("mute", "bar")["empty"]
    bar.simulators("panel", "box-3", "mute")
    eventually("the hand is heard", lambda: bar.commands.json("unmute", "bar", "--plan", code=1)["left_out"])
    bar.commands.run("unmute", "bar", "--yes", code=0)
    assert told(bar) == before
    assert bar.commands.json("diff", "bar", code=1)["counts"]["serious"] == 1, "that box is silent by hand"
    bar.simulators("panel", "box-3", "unmute")
    eventually("it sounds", lambda: find(bar.commands.home).get("/diff")["same"])
