"""Restarting and waiting for devices, as a person does it."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from fleet.services import power
from tests.faces.daemon_in_process import CommandLine, RunningDaemon, a_daemon


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(power, "PAUSE_S", 0.01)
    monkeypatch.setattr(power, "BACK_WITHIN_S", 0.5)


@pytest.fixture
def daemon(home: Path) -> Iterator[RunningDaemon]:
    with a_daemon(home) as running:
        yield running


def test_a_plan_shows_the_waves_and_restarts_nothing(daemon: RunningDaemon, fleet: CommandLine) -> None:
    said = fleet("restart", "weir-hall", "--plan")
    assert said.code == 1
    assert said.out == (
        "restart weir-hall:\n  wave 1: box-1, box-2, box-3\n  then recall the house curve, once all are up\n"
    )
    assert daemon.driver.devices["box-1"].boot_count == 1


def test_a_restart_and_the_recall_after_it(daemon: RunningDaemon, fleet: CommandLine) -> None:
    said = fleet("restart", "weir-hall", "--yes", "--allow", "rise", "--allow", "half-room", "--allow", "unmanaged")
    assert said.code == 0, said
    assert "3 devices restarted and back" in said.out
    assert "house curve recalled: change c-" in said.out
    assert [daemon.driver.devices[f"box-{n}"].boot_count for n in (1, 2, 3, 9)] == [2, 2, 2, 1]


def test_what_refuses_the_recall_is_told_with_the_way_out(daemon: RunningDaemon, fleet: CommandLine) -> None:
    said = fleet("restart", "weir-hall", "--yes")
    assert said.code == 2
    assert "3 devices restarted and back" in said.out
    assert "the house curve was not recalled" in said.err
    assert "--allow half-room" in said.err


def test_an_unknown_guard_or_room_is_refused_in_words(daemon: RunningDaemon, fleet: CommandLine) -> None:
    assert daemon.driver.devices["box-1"].boot_count == 1
    said = fleet("restart", "weir-hall", "--yes", "--allow", "everything")
    assert (said.code, "there is no guard rail" in said.err) == (2, True)
    said = fleet("restart", "nowhere", "--yes")
    assert (said.code, "no room 'nowhere'" in said.err) == (2, True)
    assert daemon.driver.devices["box-1"].boot_count == 1


def test_a_recall_waits_until_the_boxes_are_up(daemon: RunningDaemon, fleet: CommandLine) -> None:
    box = daemon.driver.devices["box-3"]
    box.online = False
    daemon.touched("box-3")

    def switch_on() -> None:
        box.online = True
        daemon.touched("box-3")

    timer = threading.Timer(1.5, switch_on)
    timer.start()
    said = fleet("recall", "weir-hall", "--when-up", "30s", "--plan")
    timer.join()
    assert "waiting for fill" in said.err
    assert "left out" not in said.out


def test_what_is_still_missing_is_named(daemon: RunningDaemon, fleet: CommandLine) -> None:
    daemon.driver.devices["box-3"].online = False
    daemon.touched("box-3")
    said = fleet("recall", "weir-hall", "--when-up", "1s", "--plan")
    assert "after 1 s 1 position still without a device: fill" in said.err
    assert "left out" in said.out


@pytest.mark.parametrize("text", ["soon", "2h", "-3s"])
def test_a_time_that_will_not_do(daemon: RunningDaemon, fleet: CommandLine, text: str) -> None:
    assert daemon.services.power.missing(["weir-hall"]) == ()
    said = fleet("recall", "weir-hall", "--when-up", text)
    assert said.code == 2
    assert "--when-up" in said.err
