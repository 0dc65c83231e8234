"""Rounds and taking over, as a person does them at a terminal of 80 columns."""

from __future__ import annotations

import asyncio
import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from fleet.faces.cli.client import Daemon
from tests.faces.daemon_in_process import CommandLine, RunningDaemon, a_daemon, golden
from tests.faces.test_cli import Terminal
from tests.services.many_rooms import FIVE_ROOMS, all_devices, away

LIFTED = ("--allow", "half-room", "--allow", "live-click")


@pytest.fixture
def daemon(home: Path) -> Iterator[RunningDaemon]:
    """A daemon of five rooms."""
    with a_daemon(home, all_devices()) as running:
        running.do(running.services.desired.load(FIVE_ROOMS, "ines"))
        yield running


def test_a_round_as_a_person_reads_it(daemon: RunningDaemon, fleet: CommandLine) -> None:
    wrong: list[str] = []

    def run(name: str, *arguments: str) -> None:
        wrong.extend(golden(name, fleet(*arguments), *arguments))

    away(daemon.driver.devices, ["box-5", "box-3"])
    run("round-plan", "apply", "--every-room", "--plan")
    run("round-recall-plan", "recall", "--every-room", "--plan", *LIFTED)
    run("round-stopped", "apply", "--every-room", "--yes", *LIFTED)
    run("round-stopped-later", "apply", "--every-room", "--yes", "--stop-after", "2", *LIFTED)
    for device in ("box-5", "box-3"):
        daemon.driver.devices[device].online = True
    run("round", "apply", "--every-room", "--yes", *LIFTED, "--why", "season")
    run("round-nothing", "apply", "--every-room", "--yes")
    for device, epoch in (("box-2", 40), ("box-4", 7)):
        daemon.driver.devices[device].epoch = epoch
    run("take-over-unconfirmed", "take-over")
    run("take-over", "take-over", "--yes")
    run("take-over-nothing", "take-over")
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("apply",), "no room was given. Name a room, or give --every-room."),
        (("recall", "bar", "--every-room"), "a room and --every-room were both given. Give one of them."),
        (("apply", "bar", "--stop-after", "2"), "--stop-after is about --every-room"),
        (("apply", "--every-room", "--keep-within", "2m"), "one trial at a time can be listened to"),
        (("apply", "--every-room", "--group", "mains"), "--group cannot go with --every-room"),
        (("apply", "--every-room", "--position", "fill", "--expect", "ab"), "--position and --expect cannot go with"),
        (("recall", "--every-room", "--without", "fill", "--also", "bar"), "--without and --also cannot go with"),
    ],
)
def test_what_does_not_go_together(fleet: CommandLine, arguments: tuple[str, ...], words: str) -> None:
    said = fleet(*arguments)
    assert (said.code, said.out) == (2, "")
    assert words in said.err


def test_a_number_below_one_is_no_number(fleet: CommandLine) -> None:
    assert fleet("apply", "--every-room", "--stop-after", "0").code == 2


@pytest.mark.parametrize(("answer", "code"), [("y\n", 0), ("n\n", 2), ("", 2)])
def test_it_is_asked_once(
    daemon: RunningDaemon, fleet: CommandLine, monkeypatch: pytest.MonkeyPatch, answer: str, code: int
) -> None:
    monkeypatch.setattr(sys, "stdin", Terminal(answer))
    said = fleet("apply", "--every-room", *LIFTED)
    assert said.code == code, said
    assert said.err.count("Do this to 8 devices in 5 rooms, a room at a time?") == 1
    assert bool(json.loads(fleet("changes", "--json").out)["changes"]) == (code == 0)


def test_without_a_terminal_and_without_yes_nothing_is_done(daemon: RunningDaemon, fleet: CommandLine) -> None:
    said = fleet("apply", "--every-room", *LIFTED)
    assert said.code == 2
    assert "no terminal to ask at. Give --yes, or --plan to only look" in said.err
    daemon.driver.devices["box-2"].epoch = 40
    said = fleet("take-over")
    assert said.code == 2
    assert "no terminal to ask at. Give --yes" in said.err
    assert daemon.do(daemon.services.store.epoch()) < 40
    assert json.loads(fleet("changes", "--json").out)["changes"] == []


def test_documents(daemon: RunningDaemon, fleet: CommandLine) -> None:
    shown = json.loads(fleet("apply", "--every-room", "--plan", "--json").out)
    assert (shown["format"], [room["room"] for room in shown["rooms"]][:2]) == ("fleet-round-plan/1", ["attic", "bar"])
    done = json.loads(fleet("apply", "--every-room", "--yes", "--json", *LIFTED).out)
    assert (done["format"], done["all_done"]) == ("fleet-round/1", True)
    said = fleet("apply", "--every-room", "--yes", "--json")
    assert (said.code, json.loads(said.out)["empty"]) == (0, True)
    assert json.loads(fleet("take-over", "--json").out)["format"] == "fleet-take-over/1"


def test_an_interrupt_lets_the_running_room_end_and_begins_no_other(
    daemon: RunningDaemon, fleet: CommandLine, monkeypatch: pytest.MonkeyPatch
) -> None:
    go_on = asyncio.Event()
    keep, get, post = daemon.driver.keep, Daemon.get, Daemon.post
    interrupts = [KeyboardInterrupt()]

    async def wait(*arguments: Any) -> Any:
        await go_on.wait()
        return await keep(*arguments)

    def interrupted(self: Daemon, path: str, **query: Any) -> Any:
        if path.startswith("/rounds/") and interrupts:
            raise interrupts.pop()
        return get(self, path, **query)

    def cancelled(self: Daemon, path: str, body: Any) -> Any:
        answer = post(self, path, body)
        if path.endswith("/cancel"):
            daemon.loop.call_soon_threadsafe(go_on.set)
        return answer

    daemon.driver.keep = wait  # type: ignore[method-assign]  # the first room is kept once the round is cancelled
    monkeypatch.setattr(Daemon, "get", interrupted)
    monkeypatch.setattr(Daemon, "post", cancelled)
    said = fleet("apply", "--every-room", "--yes", "--json", *LIFTED)
    assert said.code == 2
    assert "goes on to its end; no further room is begun" in said.err
    done = json.loads(said.out)
    assert [room["state"] for room in done["rooms"]] == ["kept", *["not begun"] * 4]
    assert done["stopped"] == "cancelled by ines"
