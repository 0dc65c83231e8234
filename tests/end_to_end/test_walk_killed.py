"""A walk whose command or whose daemon is killed: raw MQTT tells that every mute and every level is back."""

from __future__ import annotations

import os
import pty
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from raw_recorder import Recorder, recording, settings
from running import PATIENCE_S, Commands, daemon, environment, eventually, simulators

from tests.brokers import LOOPBACK, embedded_broker

Json = dict[str, Any]

BOXES = ("hut-1", "hut-2", "hut-3")
FOUND_DB, HEARD_DB = -15.0, -30.0


def write_hut(folder: Path) -> Path:
    """A venue of one room with three boxes, and the simulated devices that serve it."""
    (folder / "rooms").mkdir(parents=True)
    (folder / "venue.yaml").write_text("format: 1\nname: The Hut\ntime_zone: Europe/London\n", encoding="utf-8")
    lines = ["format: 1", "room: hut", "positions:"]
    devices = ["format: 1", "devices:"]
    for number, box in enumerate(BOXES, start=1):
        lines.append(f"  place-{number}: {{device: {box}}}")
        devices.append(
            f"  - {{id: {box}, model: Fennbeck 12, serial: FB12-00{number}, firmware: 2.3.1,"
            f" mac: '02:00:5e:02:00:0{number}', outputs: {{1: {{level_db: {FOUND_DB:g}}}}}}}"
        )
    (folder / "rooms" / "hut.yaml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (folder / "devices.yaml").write_text("\n".join(devices) + "\n", encoding="utf-8")
    return folder


@contextmanager
def at_a_terminal(commands: Commands, *words: str) -> Iterator[tuple[subprocess.Popen[bytes], int]]:
    """A command with a terminal to type at; it is killed with the block where it still runs."""
    ours, theirs = pty.openpty()
    started = subprocess.Popen(
        commands.words(*words),
        env=environment(),
        stdin=theirs,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    os.close(theirs)
    try:
        yield started, ours
    finally:
        started.kill()
        started.wait()
        os.close(ours)


def sounding(recorder: Recorder) -> dict[str, float]:
    """The boxes that are not muted, with their levels, by what they said last."""
    outputs = {box: recorder.state(box)["outputs"][0] for box in BOXES}
    return {box: output["level_db"] for box, output in outputs.items() if not output["mute"]}


def all_back(recorder: Recorder, before: Json) -> bool:
    """Whether every box is as before, with no change open."""
    states = {box: recorder.state(box) for box in BOXES}
    same = all(settings(states[box]) == settings(before[box]) for box in BOXES)
    return same and not any(state.get("change") for state in states.values())


def test_who_is_killed_in_the_middle_of_a_walk_leaves_no_mute_and_no_level_behind(tmp_path: Path) -> None:
    venue = write_hut(tmp_path / "venue")
    commands, log = Commands(tmp_path / "home"), tmp_path / "daemon.log"
    with (
        embedded_broker(tmp_path) as port,
        recording(port) as recorder,
        simulators(port, venue, tmp_path / "devices"),
    ):
        options = ("--broker", f"mqtt://{LOOPBACK}:{port}", "--venue", str(venue))
        with daemon(commands.home, *options, log=log) as first:
            eventually("all are found", lambda: commands.json("devices")["counts"]["bound"] == len(BOXES))
            before = recorder.told("state")
            assert sounding(recorder) == dict.fromkeys(BOXES, FOUND_DB)

            with at_a_terminal(commands, "walk", "hut", "--step-within", "10s", "--yes") as (command, keys):
                eventually("the first box is heard alone", lambda: sounding(recorder) == {"hut-1": HEARD_DB})
                os.write(keys, b"s\n")
                eventually("the second box is heard alone", lambda: sounding(recorder) == {"hut-2": HEARD_DB})
                command.kill()
                assert command.wait(PATIENCE_S) == -9
            assert sounding(recorder) == {"hut-2": HEARD_DB}, "nobody has taken it back yet"
            eventually("the daemon has missed the command", lambda: all_back(recorder, before))
            eventually("the walk is stopped", lambda: commands.json("walk", "--list")["walks"][0]["state"] == "stopped")

            with at_a_terminal(commands, "walk", "hut", "--yes"):
                eventually("the first box is heard alone again", lambda: sounding(recorder) == {"hut-1": HEARD_DB})
                first.kill()
                first.wait()
        assert sounding(recorder) == {"hut-1": HEARD_DB}, "killed too late to prove anything"

        with daemon(commands.home, *options, log=log):
            eventually("the next daemon has taken it back", lambda: all_back(recorder, before))
            eventually("the walk is stopped", lambda: commands.json("walk", "--list")["walks"][0]["state"] == "stopped")
            assert {change["state"] for change in commands.json("changes")["changes"]} == {"rolled back"}
            walk = commands.json("walk", "--list")["walks"][0]
            assert walk["words"] == "the daemon was stopped in its midst"
