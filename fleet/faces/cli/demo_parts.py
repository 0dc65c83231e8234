"""The processes of the demo: the daemon with its broker, and the simulated devices. They end with the block."""

from __future__ import annotations

import importlib.util
import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fleet.errors import FleetError, NoDaemon
from fleet.faces.cli.client import Daemon, find

START_WITHIN_S = 20.0
LOOPBACK = "127.0.0.1"


@dataclass(frozen=True, slots=True)
class DemoParts:
    """What runs, and how to reach it. `simulated` counts the simulated devices."""

    home: Path
    state: Path
    daemon: Daemon
    simulated: int
    processes: tuple[subprocess.Popen[str], ...]

    def alive(self) -> bool:
        """True while every process runs."""
        return all(process.poll() is None for process in self.processes)

    def cut_power(self, devices: list[str]) -> None:
        """Take the power from simulated devices and give it back."""
        _simulators("power-cut", "--state", str(self.state), *devices)

    @property
    def panel_example(self) -> str:
        """A command that presses a simulated front panel."""
        return f"{sys.executable} -m simulators panel --state {self.state} fenn-0101 level -20"


@contextmanager
def demo_parts(folder: Path) -> Iterator[DemoParts]:
    """Start the daemon and the simulated devices of the demo venue; stop them at the end of the block."""
    venue, home, state = demo_venue(), folder / "home", folder / "devices"
    with ExitStack() as stack:
        daemon_words = ["fleet.app", "daemon", "--home", str(home), "--venue", str(venue), "--interface", LOOPBACK]
        daemon_process = stack.enter_context(_running(daemon_words, folder / "daemon.log"))
        daemon = _wait_for_daemon(home, daemon_process, folder / "daemon.log")
        broker = str(daemon.get("/status")["broker"]).removeprefix("mqtt://")
        words = ["simulators", "--venue", str(venue), "--broker", broker, "--state", str(state)]
        simulators = stack.enter_context(_running(words, folder / "simulators.log"))
        yield DemoParts(
            home=home,
            state=state,
            daemon=daemon,
            simulated=_ready(simulators, folder / "simulators.log"),
            processes=(daemon_process, simulators),
        )


def demo_venue() -> Path:
    """The folder of the demo venue, which comes with the simulators."""
    found = importlib.util.find_spec("simulators")
    if found is None or not found.submodule_search_locations:
        raise FleetError("the simulators are not installed", remedy="Install the whole package.")
    return Path(found.submodule_search_locations[0]) / "venue"


@contextmanager
def _running(words: list[str], log: Path) -> Iterator[subprocess.Popen[str]]:
    with log.open("w", encoding="utf-8") as errors:
        # The demo is the same for everybody: no setting of this user's own daemon reaches it.
        own = {name: value for name, value in os.environ.items() if not name.startswith("FLEET_")}
        command = [sys.executable, "-m", *words]
        process = subprocess.Popen(command, env=own, stdout=subprocess.PIPE, stderr=errors, text=True)
        try:
            yield process
        finally:
            process.terminate()
            try:
                process.wait(10)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
            if process.stdout:
                process.stdout.close()


def _wait_for_daemon(home: Path, process: subprocess.Popen[str], log: Path) -> Daemon:
    deadline = time.monotonic() + START_WITHIN_S
    while process.poll() is None and time.monotonic() < deadline:
        try:
            return find(home)
        except NoDaemon:
            time.sleep(0.05)
    raise FleetError(f"the daemon did not start: {_last_line(log)}")


def _ready(process: subprocess.Popen[str], log: Path) -> int:
    """How many devices run, from the line that the simulators print when all are connected."""
    line = process.stdout.readline() if process.stdout else ""
    try:
        told: dict[str, Any] = json.loads(line)
        return int(told["devices"])
    except (ValueError, KeyError, TypeError):
        raise FleetError(f"the simulated devices did not start: {_last_line(log)}") from None


def _simulators(*words: str) -> None:
    done = subprocess.run([sys.executable, "-m", "simulators", *words], capture_output=True, text=True, check=False)
    if done.returncode:
        raise FleetError(f"the simulators refused: {done.stderr.strip()}")


def _last_line(log: Path) -> str:
    lines = log.read_text(encoding="utf-8").strip().splitlines()
    return lines[-1] if lines else "it said nothing"
