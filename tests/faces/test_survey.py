"""The survey of devices: conditions and orders over the API and the command line, the page of one, and watching."""

from __future__ import annotations

import json
import os
import pty
import shlex
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import pytest

from fleet.drivers.protocol import Described, StateHeard
from fleet.faces.cli.client import path
from fleet.faces.cli.watching import changes
from fleet.model.settings import DeviceSettings, OutputSettings
from tests.faces.daemon_in_process import CommandLine, RunningDaemon, golden
from tests.services.small_venue import FILES, apply, begun, ended

FILES_WITH_REFERENCES = {
    **FILES,
    "rooms/foyer.yaml": FILES["rooms/foyer.yaml"]
    .replace("{device: box-4,", "{device: box-4, circuit: LP3-11, switch_port: SW-2/17, rack: R1,")
    .replace("{device: box-5,", "{device: box-5, circuit: LP3-11, switch_port: SW-2/18,"),
}


def change_description(daemon: RunningDaemon, device: str, **other: str) -> None:
    async def hear() -> None:
        described = replace(daemon.driver.devices[device].description, **other)
        daemon.services.inventory.hear(Described(device=device, description=described))

    daemon.do(hear())


def tell_health(daemon: RunningDaemon, device: str, **health: object) -> None:
    async def hear() -> None:
        state = replace(daemon.driver.devices[device].state(), **health)  # type: ignore[arg-type]
        daemon.services.inventory.hear(StateHeard(device=device, state=state))

    daemon.do(hear())


@pytest.fixture
def scene(daemon: RunningDaemon) -> RunningDaemon:
    """Box 3 was edited at the panel, 4 tells a fault, 5 is missing, 2 has another model, 1 and 9 other firmware."""
    daemon.do(daemon.services.desired.load(FILES_WITH_REFERENCES, "ines"))
    turned = daemon.driver.devices["box-3"]
    turned.live = DeviceSettings(outputs={1: OutputSettings(level_db=-10.5)}).over(turned.live)
    daemon.touched("box-3")
    tell_health(daemon, "box-4", temperature_c=71.5, faults=("amplifier protects itself",))
    daemon.driver.devices["box-5"].online = False
    daemon.touched("box-5")
    change_description(daemon, "box-2", model="Aber 8")
    change_description(daemon, "box-1", firmware="1.10.0")
    change_description(daemon, "box-9", firmware="1.9.0")
    return daemon


@pytest.mark.parametrize(
    ("conditions", "found"),
    [
        ("", "123459"),
        ("--room foyer", "45"),
        ("--model 'ABER 8'", "2"),
        ("--firmware 1.4.0", "2345"),
        ("--status missing", "5"),
        ("--status missing --status conflicting", "5"),
        ("--not-bound", ""),
        ("--edited", "3"),
        ("--unhealthy", "4"),
        ("--circuit lp3-11", "45"),
        ("--circuit LP3-11 --switch-port SW-2/18", "5"),
        ("--circuit LP3-11 --status bound", "4"),
        ("--room foyer --unhealthy --edited", ""),
        ("--sort model", "213459"),
        ("--sort firmware", "234591"),
        ("--sort room", "453912"),
    ],
)
def test_conditions_and_orders(scene: RunningDaemon, fleet: CommandLine, conditions: str, found: str) -> None:
    said = fleet("devices", *shlex.split(conditions), "--json")
    assert [row["id"] for row in json.loads(said.out)["devices"]] == [f"box-{n}" for n in found]


def test_a_device_that_nobody_saw_comes_last_and_the_latest_first(scene: RunningDaemon, fleet: CommandLine) -> None:
    files = {**FILES_WITH_REFERENCES, "rooms/attic.yaml": "format: 1\nroom: attic\npositions: {a: {device: a-box}}\n"}
    scene.do(scene.services.desired.load(files, "ines"))
    rows = json.loads(fleet("devices", "--sort", "last-seen", "--json").out)["devices"]
    assert (rows[-1]["id"], rows[-1]["last_seen"], rows[-1]["edited"]) == ("a-box", None, None)


def test_what_is_wrong_with_a_question_is_said(scene: RunningDaemon, fleet: CommandLine) -> None:
    assert fleet("devices", "--room", "attic").err == "fleet: no room 'attic'. `fleet rooms` lists them.\n"
    assert "--watch are for the list" in fleet("devices", "box-1", "--edited").err
    assert "take one of them" in fleet("devices", "--watch", "--json").err
    assert fleet("devices", "--status", "lost").code == 2


def test_the_page_of_a_device(scene: RunningDaemon, fleet: CommandLine) -> None:
    async def change_it() -> None:
        record = await begun(scene.services, apply("foyer", position="desk"))
        await ended(scene.services, record.id)

    scene.do(change_it())
    tell_health(scene, "box-4", temperature_c=71.5, faults=("amplifier protects itself",))
    assert golden("devices-page", fleet("devices", "box-4"), "devices", "box-4") == []
    assert golden("devices-edited", fleet("devices", "--edited"), "devices", "--edited") == []
    assert golden("devices-unhealthy", fleet("devices", "--unhealthy"), "devices", "--unhealthy") == []
    one = json.loads(fleet("devices", "box-3", "--json").out)
    assert [slot["slot"] for slot in one["slots"] if slot["edited"]] == [1]


def test_text_from_devices_is_no_escape_sequence(scene: RunningDaemon, fleet: CommandLine) -> None:
    change_description(scene, "box-1", model="\x1b[31mBrae\u202e")
    tell_health(scene, "box-1", faults=("\x07bell\n",))
    for said in (fleet("devices"), fleet("devices", "box-1")):
        assert said.code == 0
        assert not {"\x1b", "\x07", "\u202e"} & set(said.out)


async def test_unknown_conditions_are_refused_by_the_api(scene: RunningDaemon) -> None:
    from fleet.errors import FleetError
    from fleet.faces.cli.client import find

    daemon = find(scene.home)
    for wrong in ({"state": "missing"}, {"sort": "size"}, {"status": "lost"}):
        with pytest.raises(FleetError):
            daemon.get(path("devices"), **wrong)


def row(device: str, status: str) -> dict[str, object]:
    return {"id": device, "status": status}


def test_changes_of_status_are_told_as_lines() -> None:
    before = {"link_trouble": "", "devices": [row("a", "bound"), row("b", "bound"), row("c", "seen")]}
    after = {"link_trouble": "gone", "devices": [row("a", "bound"), row("b", "missing"), row("d", "reachable")]}
    assert list(changes(before, after)) == [
        *("b: bound -> missing", "c: seen -> not listed", "d: not listed -> reachable"),
        "link to the devices: gone",
    ]
    assert list(changes(after, before))[-1] == "link to the devices: works again"


def eventually(what: Callable[[], bool]) -> None:
    """Wait for something to become so. The limit is only there so that a failure ends."""
    deadline = time.monotonic() + 30
    while not what():
        assert time.monotonic() < deadline
        time.sleep(0.05)


WATCH = [sys.executable, "-m", "fleet.app", "devices", "--watch"]


def test_watching_without_a_terminal_tells_lines_and_ends_with_ctrl_c(daemon: RunningDaemon, tmp_path: Path) -> None:
    out, err = tmp_path / "out", tmp_path / "err"
    with out.open("w") as to_out, err.open("w") as to_err:
        watching = subprocess.Popen([*WATCH, "--home", str(daemon.home)], stdout=to_out, stderr=to_err)
    try:
        eventually(lambda: "watching 6 devices" in err.read_text())
        daemon.driver.devices["box-5"].online = False
        daemon.touched("box-5")
        eventually(lambda: "box-5: bound -> missing" in out.read_text())
        watching.send_signal(signal.SIGINT)
        assert watching.wait(30) == 0
    finally:
        watching.kill()
    assert "Traceback" not in err.read_text()


def test_watching_in_a_terminal_draws_the_table_anew(daemon: RunningDaemon) -> None:
    ours, theirs = pty.openpty()
    watching = subprocess.Popen([*WATCH, "--home", str(daemon.home)], stdout=theirs, stderr=theirs, stdin=theirs)
    os.close(theirs)
    os.set_blocking(ours, False)
    seen = ""

    def shows(text: str) -> bool:
        nonlocal seen
        with suppress(BlockingIOError):
            seen += os.read(ours, 100_000).decode()
        return text in seen

    try:
        eventually(lambda: shows("Ctrl-C ends"))
        assert seen.count("\x1b[2J") == 1
        daemon.driver.devices["box-5"].online = False
        daemon.touched("box-5")
        eventually(lambda: shows("missing  box-5"))
        assert seen.count("\x1b[2J") == 2
        watching.send_signal(signal.SIGINT)
        assert watching.wait(30) == 0
    finally:
        watching.kill()
        os.close(ours)
