"""The command line: exit codes of POSIX diff, one JSON document where it is asked for, and errors as sentences."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from fleet.drivers.memory import MemoryDevice
from fleet.errors import DeviceRefused
from fleet.faces.cli import options
from fleet.model.settings import SlotContents
from tests.faces.daemon_in_process import CommandLine, RunningDaemon, Said, a_daemon
from tests.services.small_venue import FILES, FOYER, box, boxes


@pytest.fixture
def venue(tmp_path: Path) -> Path:
    folder = tmp_path / "venue"
    (folder / "rooms").mkdir(parents=True)
    for name, text in FILES.items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def document(said: Said, form: str) -> dict[str, Any]:
    """The one JSON document on stdout."""
    parsed: dict[str, Any] = json.loads(said.out)
    assert parsed["format"] == form
    assert said.out.endswith("}\n")
    return parsed


def test_every_command_prints_one_document(
    daemon: RunningDaemon, fleet: CommandLine, venue: Path, tmp_path: Path
) -> None:
    def run(form: str, code: int, *arguments: str) -> dict[str, Any]:
        said = fleet(*arguments, "--json")
        assert said.code == code, said
        return document(said, form)

    assert run("fleet-load/1", 0, "load", str(venue))["unchanged"]
    run("fleet-devices/1", 0, "devices")
    run("fleet-device/1", 0, "devices", "box-1")
    run("fleet-device/1", 0, "accept", "box-1")
    run("fleet-rooms/1", 1, "rooms")
    run("fleet-check/1", 0, "check")
    run("fleet-check/1", 0, "check", str(venue))
    run("fleet-diff/1", 1, "diff", "weir-hall", "--all")
    run("fleet-diff/1", 0, "diff", "weir-hall", "--position", "horn")
    run("fleet-hold/1", 0, "hold", "foyer", "--until", "2h")
    run("fleet-release/1", 0, "release", "foyer")
    run("fleet-plan/1", 1, "apply", "weir-hall", "--plan")
    change = run("fleet-change/1", 0, "apply", "weir-hall", "--yes", "--allow", "half-room")["id"]
    run("fleet-plan/1", 0, "apply", "weir-hall", "--yes")
    run("fleet-change/1", 0, "store", "weir-hall", "--yes", "--allow", "half-room")
    run("fleet-plan/1", 0, "recall", "weir-hall", "--yes")
    run("fleet-changes/1", 0, "changes")
    run("fleet-change/1", 0, "changes", change)
    run("fleet-change/1", 0, "rollback", change, "--yes", "--allow", "half-room", "--allow", "rise")
    run("fleet-identify/1", 0, "identify", "box-1")
    taken = run("fleet-snapshot/2", 0, "snapshot", "take")["id"]
    run("fleet-snapshots/1", 0, "snapshot", "show")
    run("fleet-snapshot/2", 0, "snapshot", "show", taken)
    run("fleet-snapshot-diff/1", 0, "snapshot", "compare", taken, taken)
    sealed = str(tmp_path / "sealed.json")
    run("fleet-export/1", 0, "snapshot", "export", taken, "--out", sealed)
    run("fleet-verify/1", 0, "snapshot", "verify", sealed)
    run("fleet-snapshot-key/1", 0, "snapshot", "key", "--out", str(tmp_path / "key.pem"))
    run("fleet-snapshot/2", 0, "snapshot", "witness", taken, "--name", "Jo Marsh")
    run("fleet-audit/1", 0, "audit", "show")
    run("fleet-audit-verify/1", 0, "audit", "verify", "--snapshot", sealed)
    run("fleet-audit-export/1", 0, "audit", "export", str(tmp_path / "log.csv"))
    assert fleet("cancel", change, "--json").code == 2


def test_exit_codes(daemon: RunningDaemon, fleet: CommandLine) -> None:
    assert fleet("diff").code == 1
    daemon.driver.devices["box-5"].online = False
    assert fleet("diff", "foyer").code == 1, "what was not checked is not the same"
    assert fleet("diff", "attic").code == 2
    assert fleet("diff", "--group", "mains").code == 2
    assert fleet("explode").code == 2
    assert fleet("apply").code == 2
    assert fleet("apply", "weir-hall", "--plan").code == 1
    assert fleet("apply", "weir-hall", "--yes", "--allow", "half-room").code == 0
    assert fleet("apply", "weir-hall", "--plan").code == 0
    assert fleet("--version").code == 0


def test_the_plan_that_was_looked_at_can_be_named(daemon: RunningDaemon, fleet: CommandLine) -> None:
    looked_at = document(fleet("apply", "weir-hall", "--plan", "--json"), "fleet-plan/1")["digest"][:12]
    daemon.touched("box-1")
    said = fleet("apply", "weir-hall", "--yes", "--allow", "half-room", "--expect", looked_at)
    assert said.code == 2
    assert f"not {looked_at}" in said.err
    assert document(fleet("changes", "--json"), "fleet-changes/1")["changes"] == []


def test_no_daemon(fleet: CommandLine, venue: Path) -> None:
    for command in (["devices"], ["diff"], ["apply", "foyer", "--yes"], ["check"], ["load", str(venue)]):
        said = fleet(*command)
        assert (said.code, said.out) == (2, "")
        assert "fleet daemon --venue FOLDER" in said.err, "how to start one"
    said = fleet("check", str(venue))
    assert said.code == 0
    assert "no daemon is running: checked without the devices' abilities" in said.err


def test_the_address_of_a_dead_daemon(fleet: CommandLine, home: Path) -> None:
    home.mkdir()
    (home / "token").write_text("t")
    (home / "daemon.json").write_text('{"url": "http://127.0.0.1:1", "pid": 1}')
    said = fleet("devices")
    assert said.code == 2
    assert said.err.count("\n") == 1
    assert said.err.startswith("fleet: the daemon at http://127.0.0.1:1 does not answer")
    assert "fleet daemon" in said.err
    for nonsense in ("", "[]", "{", '{"url": 7', "\udcff".encode("utf-8", "surrogateescape").decode("latin-1")):
        (home / "daemon.json").write_text(nonsense, encoding="latin-1")
        said = fleet("devices")
        assert (said.code, said.err.count("\n")) == (2, 1), said.err


def test_without_a_terminal_and_without_yes_nothing_is_done(
    daemon: RunningDaemon, fleet: CommandLine, monkeypatch: pytest.MonkeyPatch
) -> None:
    said = fleet("apply", "weir-hall", "--position", "fill")
    assert said.code == 2
    assert "no terminal to ask at. Give --yes, or --plan to only look" in said.err
    said = fleet("apply", "weir-hall")
    assert said.code == 2
    assert "guard rails stand against this: half-room" in said.err
    assert "--allow half-room" in said.err
    assert document(fleet("changes", "--json"), "fleet-changes/1")["changes"] == []


class Terminal(io.StringIO):
    """A person at the keyboard."""

    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(("answer", "code", "state"), [("y\n", 0, "kept"), ("n\n", 2, None), ("", 2, None)])
def test_the_question(
    daemon: RunningDaemon,
    fleet: CommandLine,
    monkeypatch: pytest.MonkeyPatch,
    answer: str,
    code: int,
    state: str | None,
) -> None:
    monkeypatch.setattr(sys, "stdin", Terminal(answer))
    said = fleet("apply", "weir-hall", "--position", "fill")
    assert said.code == code, said
    assert "Do this to 1 device?" in said.err
    changes = document(fleet("changes", "--json"), "fleet-changes/1")["changes"]
    assert [c["state"] for c in changes] == ([state] if state else [])


def test_a_failed_change_names_who_made_it_fail(daemon: RunningDaemon, fleet: CommandLine) -> None:
    async def refuse(*_: Any, **__: Any) -> Any:
        raise DeviceRefused("box-2", "busy_forever", "\x1b[31mno\x1b[0m")

    daemon.driver.keep = refuse  # type: ignore[method-assign]  # a driver whose devices will not keep
    said = fleet("apply", "weir-hall", "--yes", "--allow", "half-room")
    assert said.code == 2
    assert "rolled back" in said.out
    assert "made it fail:  box-1: box-2 refused (busy_forever): ?[31mno?[0m" in said.out
    assert "\x1b" not in said.out
    story = fleet("changes", "c-0001").out
    assert "rolling back" in story
    assert "\x1b" not in story


def test_a_fault_of_the_program_is_one_sentence(fleet: CommandLine, monkeypatch: pytest.MonkeyPatch) -> None:
    def fault(*_: Any) -> Any:
        raise ZeroDivisionError("an inside \x1b[2J thing")

    monkeypatch.setattr(options, "daemon", fault)
    said = fleet("rooms")
    assert said.code == 2
    assert said.out == ""
    assert "Traceback" not in said.err
    assert "\x1b" not in said.err
    assert said.err.startswith("fleet: a fault of this program: ZeroDivisionError: an inside")
    assert "FLEET_DEBUG=1" in said.err
    monkeypatch.setenv("FLEET_DEBUG", "1")
    said = fleet("rooms")
    assert said.code == 2
    assert "Traceback (most recent call last)" in said.err
    assert "\x1b" not in said.err, "a trace goes to a terminal as well"


def test_mistakes_in_files_are_all_told_at_their_places(daemon: RunningDaemon, fleet: CommandLine, venue: Path) -> None:
    (venue / "rooms/foyer.yaml").write_text(FOYER.replace("-10", "loud"), encoding="utf-8")
    for command in ("load", "check"):
        said = fleet(command, str(venue))
        assert said.code == 2
        lines = said.err.splitlines()
        assert [line.removeprefix("fleet: ").split(" ")[0] for line in lines[:2]] == [
            "rooms/foyer.yaml:5:35:",
            "rooms/foyer.yaml:6:35:",
        ]
        assert lines[2] == "2 mistakes in the venue's files"


def test_a_reader_that_stops_reading(daemon: RunningDaemon, home: Path) -> None:
    """`fleet devices | head -0`: the pipe is closed before anything is written."""
    reading, writing = os.pipe()
    os.close(reading)
    try:
        done = subprocess.run(
            [sys.executable, "-m", "fleet.app", "devices", "--home", str(home)],
            stdout=writing,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    finally:
        os.close(writing)
    assert done.returncode == 2
    assert done.stderr == ""


HOSTILE = {
    "control characters": "Brae\x1b[2J\x07\r\n10",
    "right-to-left marks": "Brae \u202e01\u2066",
    "markup": "[red]Brae[/red] [bold",
    "10 kB": "Brae " * 2000,
}


def hostile_box(device: str, text: str) -> MemoryDevice:
    """A device that says this wherever a device may say something."""
    one = box(device)
    one.description = replace(one.description, model=text, firmware=text, inputs=(text, "network"))
    one.live = replace(one.live, input=text)
    one.slots = {n: SlotContents(slot=n, name=text, outputs=s.outputs) for n, s in one.slots.items()}
    return one


@pytest.mark.parametrize("text", HOSTILE.values(), ids=list(HOSTILE))
def test_what_devices_say_is_shown_safely(fleet: CommandLine, home: Path, text: str) -> None:
    devices = [hostile_box(d.description.id, text) if d.description.id == "box-4" else d for d in boxes()]
    with a_daemon(home, devices) as running:
        wish = FOYER.replace("desk: {device: box-4,", "desk: {device: box-4, input: network,")
        running.do(running.services.desired.load({**FILES, "rooms/foyer.yaml": wish}, "ines"))
        plan = ("apply", "foyer", "--position", "desk")
        outputs = [
            fleet("devices").out,
            fleet("devices", "box-4").out,
            fleet("diff", "foyer", "--all").out,
            fleet(*plan, "--plan").out,
            fleet(*plan, "--yes", "--allow", "half-room", "--why", text[:900]).out,
            fleet("changes").out,
            fleet("changes", "c-0001").out,
        ]
        shown = fleet("devices").out
    for output in outputs:
        assert output
        for line in output.splitlines():
            assert line.isprintable(), repr(line)
            assert len(line) < 500
    assert "box-4" in shown
    if "red" in text:
        assert "[red]Brae[/red] [bold" in shown, "markup is text"


def test_an_interrupt_stops_with_a_word(fleet: CommandLine, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupt(*_: Any) -> Any:
        raise KeyboardInterrupt

    monkeypatch.setattr(options, "daemon", interrupt)
    assert fleet("rooms") == Said(2, "", "fleet: stopped\n")
