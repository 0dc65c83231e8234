"""Processes for the end-to-end tests: broker, simulated devices, daemon, commands. All end with their block."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from raw_recorder import Recorder, recording

from tests.brokers import LOOPBACK, embedded_broker

Json = dict[str, Any]
T = TypeVar("T")

REPOSITORY = Path(__file__).parents[2]
DEMO_VENUE = REPOSITORY / "simulators" / "venue"
PATIENCE_S = 60.0
"""How long a condition may take on a loaded machine. Waiting ends as soon as it holds."""


def eventually(what: str, condition: Callable[[], T | None]) -> T:
    """The condition's first true value; fails with `what` where there is none in time."""
    deadline = time.monotonic() + PATIENCE_S
    while not (value := condition()):
        assert time.monotonic() < deadline, f"waited {PATIENCE_S:g} s in vain: {what}"
        time.sleep(0.05)
    return value


@dataclass(frozen=True)
class Ran:
    """How a command ended."""

    code: int
    out: str
    err: str

    @property
    def document(self) -> Json:
        """What `--json` printed: exactly one document, which says its format."""
        document = json.loads(self.out)
        assert isinstance(document, dict)
        assert document["format"].startswith("fleet-"), document["format"]
        return document

    @property
    def said(self) -> str:
        """Everything that a person sees."""
        return self.out + self.err


@dataclass(frozen=True)
class Commands:
    """The `fleet` commands over one daemon's folder."""

    home: Path

    def run(self, *words: str, code: int) -> Ran:
        """Run a command without a terminal. It ends with this exit code, and never with a traceback."""
        done = subprocess.run(self.words(*words), env=environment(), capture_output=True, text=True, check=False)
        ran = Ran(done.returncode, done.stdout, done.stderr)
        assert "Traceback" not in ran.said, ran.said
        assert ran.code == code, f"fleet {' '.join(words)} ended with {ran.code}, not {code}:\n{ran.said}"
        return ran

    def json(self, *words: str, code: int = 0) -> Json:
        """The document of a command run with `--json`."""
        return self.run(*words, "--json", code=code).document

    def words(self, *words: str) -> list[str]:
        """The command as a list, for whoever starts it himself."""
        return [*fleet_words(*words), "--home", str(self.home)]


@dataclass(frozen=True)
class Running:
    """A daemon with simulated devices on a broker, and a recorder of everything that devices are told and tell."""

    commands: Commands
    recorder: Recorder
    state: Path

    def simulators(self, *words: str) -> None:
        """Give an order to the simulated devices: `fault DEVICE KIND`, `panel DEVICE …`, `power-cut DEVICE`."""
        order = [sys.executable, "-m", "simulators", words[0], "--state", str(self.state), *words[1:]]
        subprocess.run(order, cwd=REPOSITORY, check=True)


@contextmanager
def running(folder: Path, devices: Path, venue: Path) -> Iterator[Running]:
    """Everything, until the end of the block: the devices of one venue folder, the desired state of another."""
    commands, state = Commands(folder / "home"), folder / "devices"
    with (
        embedded_broker(folder) as port,
        recording(port) as recorder,
        simulators(port, devices, state) as number,
        daemon(commands.home, "--broker", f"mqtt://{LOOPBACK}:{port}", log=folder / "daemon.log"),
    ):
        eventually("every simulated device is found", lambda: _found(commands) >= number)
        commands.run("load", str(venue), code=0)
        yield Running(commands=commands, recorder=recorder, state=state)


@contextmanager
def simulators(port: int, venue: Path, state: Path) -> Iterator[int]:
    """The simulated devices of a venue folder, packed into two processes and not announced; their number."""
    words = ["--venue", str(venue), "--broker", f"{LOOPBACK}:{port}", "--state", str(state), "--processes", "2"]
    with process([sys.executable, "-m", "simulators", *words, "--no-announce"]) as started:
        assert started.stdout is not None
        line = started.stdout.readline()
        assert line, "the simulators ended before they were ready"
        yield int(json.loads(line)["devices"])


@contextmanager
def daemon(home: Path, *options: str, log: Path) -> Iterator[subprocess.Popen[str]]:
    """A daemon until the end of the block, once it has left its address in its folder."""
    address = home / "daemon.json"
    address.unlink(missing_ok=True)
    words = [*fleet_words("daemon"), "--home", str(home), "--interface", LOOPBACK, *options]
    with process(words, log=log) as started:

        def told() -> bool:
            assert started.poll() is None, log.read_text(encoding="utf-8")
            return address.is_file()

        eventually("the daemon tells its address", told)
        yield started


@contextmanager
def a_room_of_three(folder: Path, room: str, file: str) -> Iterator[Running]:
    """A room whose file binds box-1 to box-3, equal boxes at -12 dB; its house curve is stored and recalled."""
    venue = folder / "venue"
    (venue / "rooms").mkdir(parents=True)
    (venue / "venue.yaml").write_text("format: 1\nname: The Test House\ntime_zone: Europe/London\n", encoding="utf-8")
    (venue / "rooms" / f"{room}.yaml").write_text(file, encoding="utf-8")
    devices = [
        f"  - {{id: box-{number}, model: Fennbeck 12, serial: FB12-10{number}, firmware: 2.3.1,"
        f" mac: '02:00:5e:03:00:0{number}', outputs: {{1: {{level_db: -12}}}}}}\n"
        for number in (1, 2, 3)
    ]
    (venue / "devices.yaml").write_text(f"format: 1\ndevices:\n{''.join(devices)}", encoding="utf-8")
    with running(folder, devices=venue, venue=venue) as started:
        started.commands.run("store", room, "--yes", code=0)
        started.commands.run("recall", room, "--yes", code=0)
        yield started


@contextmanager
def without_power(hall: Running, device: str, *, off_s: float) -> Iterator[None]:
    """A device that is dead for the length of the block; it has its power again `off_s` seconds after it lost it."""
    words = ["-m", "simulators", "power-cut", "--state", str(hall.state), device, "--off-s", f"{off_s:g}"]
    with process([sys.executable, *words]):
        eventually(f"{device} is missing", lambda: hall.commands.json("devices", device)["status"] == "missing")
        yield


@contextmanager
def process(
    words: list[str], *, log: Path | None = None, env: Mapping[str, str] | None = None
) -> Iterator[subprocess.Popen[str]]:
    """A process in a session of its own; it is asked to end with the block, and made to where it does not."""
    with log.open("a", encoding="utf-8") if log else open(os.devnull, "w", encoding="utf-8") as errors:  # noqa: PTH123
        started = subprocess.Popen(
            words,
            cwd=REPOSITORY,
            env=environment(env),
            stdout=subprocess.PIPE,
            stderr=errors,
            text=True,
            start_new_session=True,
        )
        try:
            yield started
        finally:
            started.terminate()
            try:
                started.wait(PATIENCE_S)
            except subprocess.TimeoutExpired:
                started.kill()
                started.wait()
            if started.stdout:
                started.stdout.close()


def fleet_words(*words: str) -> list[str]:
    """A `fleet` command as a list."""
    return [sys.executable, "-m", "fleet.app", *words]


def environment(more: Mapping[str, str] | None = None) -> dict[str, str]:
    """This environment without what would change how `fleet` behaves."""
    own = {name: value for name, value in os.environ.items() if not name.startswith("FLEET_")}
    return {**own, "PYTHONPATH": str(REPOSITORY), **(more or {})}


def _found(commands: Commands) -> int:
    return int(commands.json("devices")["counts"]["found"])
