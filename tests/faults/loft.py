"""A room of four boxes on a broker, each in a process that outlives the daemons, and daemons that die at a point.

The boxes differ in what they can: a coherent pair that stages and has a revert timer, a column that stages without
one, a box that can do no more than `set`. Desired and found settings differ such that a change mutes, sets, ramps and
unmutes. A `Start` is a moment to return to: the daemon's folder and the non-volatile memory of every box.
"""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import httpx

from simulators import control
from tests.brokers import LOOPBACK, embedded_broker
from tests.faults.wire import Wire, listening

Json = dict[str, Any]
T = TypeVar("T")

REPOSITORY = Path(__file__).parents[2]
PATIENCE_S = 40.0
"""How long a condition may take on a loaded machine. Waiting ends as soon as it holds."""
LOOK_EVERY_S = 0.02
ROOM = "loft"
BOXES = ("loft-column", "loft-left", "loft-plain", "loft-right")

VENUE = "format: 1\nname: The Sail Loft\ntime_zone: Europe/London\n"
DESIRED = """\
format: 1
room: loft
name: Loft
curves:
  warm: [{shape: bell, frequency_hz: 400, gain_db: -3, q: 1.2}, {shape: bell, frequency_hz: 2500, gain_db: 1.5, q: 1}]
house_curve: {curve: warm, slots: {Fennbeck 12: 5, Reedwater 84: 4, Millrace 8: 2}}
defaults: {mute: false}
groups:
  pair: {together: true, level_db: -12, delay_ms: 2}
positions:
  left:   {device: loft-left, groups: [pair]}
  right:  {device: loft-right, groups: [pair]}
  column: {device: loft-column, level_db: -14}
  plain:  {device: loft-plain, level_db: -16, delay_ms: 5}
"""
FOUND = """\
format: 1
devices:
- {id: loft-left, model: Fennbeck 12, serial: FB-1, firmware: 2.3.1, mac: '02:00:5e:0f:00:01',
   slot: 5, house_slot: 5, outputs: {1: {level_db: -15}}}
- {id: loft-right, model: Fennbeck 12, serial: FB-2, firmware: 2.3.1, mac: '02:00:5e:0f:00:02',
   slot: 5, house_slot: 5, outputs: {1: {level_db: -15}}}
- {id: loft-column, model: Reedwater 84, serial: RW-1, firmware: 5.1.2, mac: '02:00:5e:0f:00:03',
   slot: 4, house_slot: 4, outputs: {1: {level_db: -18.5}}}
- {id: loft-plain, model: Millrace 8, serial: MR-1, firmware: 1.0.9, mac: '02:00:5e:0f:00:04',
   slot: 1, house_slot: 2, outputs: {1: {level_db: -20}}}
"""
"""The pair needs a mute bracket, the column a ramp, the plain box a recall of a slot with wrong contents."""


def eventually(what: str, condition: Callable[[], T | None]) -> T:
    """The condition's first true value; fails with `what` where there is none in time."""
    deadline = time.monotonic() + PATIENCE_S
    while not (value := condition()):
        assert time.monotonic() < deadline, f"waited {PATIENCE_S:g} s in vain: {what}"
        time.sleep(LOOK_EVERY_S)
    return value


@dataclass(frozen=True)
class Start:
    """Where everything stands at some moment, with no daemon running: copied folders."""

    home: Path
    memories: Path


@dataclass(frozen=True)
class Point:
    """A place in the life of a daemon, as `failing_daemon` counts them."""

    name: str
    number: int

    def __str__(self) -> str:
        return f"{self.name} {self.number}"


class Daemon:
    """One forked daemon, called over HTTP."""

    def __init__(self, server: Server, home: Path, pid: int, points: Path, log: Path) -> None:
        self.home, self.points_file, self.log = home, points, log
        self._server, self._pid = server, pid
        self._client: httpx.Client | None = None

    def get(self, path: str, **query: Any) -> Json:
        """A document. Raises `httpx.TransportError` once the daemon is dead."""
        return self._answer(self._http().get(f"/v1{path}", params=query))

    def post(self, path: str, body: Json) -> Json:
        """Ask for something to be done; raises as `get`."""
        return self._answer(self._http().post(f"/v1{path}", json=body))

    def keep(self, change: str) -> None:
        """Keep a change on trial; that the daemon does not take it (yet) is seen at how the change goes on."""
        assert self._http().post(f"/v1/changes/{change}/keep", json={}).status_code in {200, 409}

    def until_ready(self) -> None:
        """Wait until it serves, and every box has told what it is."""
        eventually("every box tells the daemon what it is", lambda: self._told() == len(BOXES))

    def killed_within(self, seconds: float) -> bool:
        """Whether SIGKILL ended it by then; fails where it ended otherwise."""
        ended = self._server.order(do="wait", pid=self._pid, within_s=seconds)
        assert "code" not in ended, f"the daemon ended by itself:\n{self.told()}"
        return bool(ended.get("signal") == 9)

    def kill(self) -> None:
        """End it with nothing more said, where it still runs."""
        self._server.order(do="kill", pid=self._pid)
        if self._client is not None:
            self._client.close()

    def points(self) -> list[Point]:
        """The points it has passed, in order."""
        lines = self.points_file.read_text(encoding="ascii").split("\n")[:-1]
        return [Point(name, int(number)) for name, _, number in (line.partition(" ") for line in lines)]

    def told(self) -> str:
        """The end of its log."""
        return self.log.read_text(encoding="utf-8")[-3000:]

    def _told(self) -> int:
        assert self._server.order(do="wait", pid=self._pid, within_s=0) == {}, f"it ended early:\n{self.told()}"
        try:
            return sum(row["online"] and row["model"] != "" for row in self.get("/devices")["devices"])
        except (httpx.TransportError, FileNotFoundError):
            return 0

    def _http(self) -> httpx.Client:
        if self._client is None:
            url = json.loads((self.home / "daemon.json").read_text(encoding="utf-8"))["url"]
            token = (self.home / "token").read_text(encoding="utf-8")
            self._client = httpx.Client(
                base_url=url, headers={"Authorization": f"Bearer {token}"}, timeout=PATIENCE_S, trust_env=False
            )
        return self._client

    @staticmethod
    def _answer(response: httpx.Response) -> Json:
        document: Json = response.json()
        assert response.is_success, document
        return document


class Server:
    """The fork server's end of the line."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process

    def order(self, **order: Any) -> Json:
        """One order, answered."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps(order) + "\n")
        self._process.stdin.flush()
        line = self._process.stdout.readline()
        assert line, "the fork server has ended; server.log in the room's folder says why"
        answer: Json = json.loads(line)
        return answer


@dataclass(frozen=True, eq=False)
class Loft:
    """The room with its broker; daemons come and go."""

    folder: Path
    port: int
    wire: Wire
    server: Server

    @property
    def memories(self) -> Path:
        return self.folder / "boxes"

    @contextmanager
    def daemon(self, home: Path, kill_at: Point | None = None) -> Iterator[Daemon]:
        """A daemon over this folder that dies at a point, or with the block."""
        points, log = home / "points.txt", home / "daemon.log"
        points.unlink(missing_ok=True)
        (home / "daemon.json").unlink(missing_ok=True)
        started = self.server.order(
            do="start",
            home=str(home),
            broker=f"mqtt://{LOOPBACK}:{self.port}",
            log=str(log),
            points=str(points),
            kill_at=[kill_at.name, kill_at.number] if kill_at else None,
        )
        daemon = Daemon(self.server, home, started["pid"], points, log)
        try:
            yield daemon
        finally:
            daemon.kill()

    def first_home(self) -> Path:
        """A new daemon's folder with the desired state in force."""
        home = self.folder / "first"
        home.mkdir()
        with self.daemon(home) as daemon:
            daemon.until_ready()
            daemon.post("/versions", {"files": {"venue.yaml": VENUE, "rooms/loft.yaml": DESIRED}, "who": "test"})
        return home

    def save(self, name: str, home: Path) -> Start:
        """Everything as it is now, to return to."""
        start = Start(self.folder / f"{name}-home", self.folder / f"{name}-boxes")
        shutil.copytree(home, start.home)
        start.memories.mkdir()
        for memory in self.memories.glob("*.json"):
            shutil.copy(memory, start.memories)
        return start

    def return_to(self, start: Start) -> Path:
        """Boot every box from its memory of that moment; a fresh copy of the daemon's folder of then."""
        home = self.folder / "home"
        shutil.rmtree(home, ignore_errors=True)
        shutil.copytree(start.home, home)
        before = {box: self.wire.get(box)["boot_id"] for box in BOXES}
        for memory in start.memories.glob("*.json"):
            fresh = self.memories / f"{memory.stem}.copy"
            shutil.copy(memory, fresh)
            fresh.replace(self.memories / memory.name)
        asyncio.run(control.power_cut(self.memories, BOXES, off_s=0.02))
        for box in BOXES:
            eventually(f"{box} has booted", lambda box=box: self.wire.get(box)["boot_id"] != before[box])
        return home

    def fault(self, box: str, kind: str) -> None:
        """Set a fault of a box, or clear all (`none`)."""
        asyncio.run(control.set_fault(self.memories, box, kind))


@contextmanager
def loft(folder: Path) -> Iterator[Loft]:
    """The room for the length of the block."""
    venue, boxes = folder / "venue", folder / "boxes"
    venue.mkdir(parents=True)
    (venue / "devices.yaml").write_text(FOUND, encoding="utf-8")
    with ExitStack() as stack:
        port = stack.enter_context(embedded_broker(folder))
        simulators = stack.enter_context(
            _process("simulators", "--venue", str(venue), "--broker", f"{LOOPBACK}:{port}", "--state", str(boxes),
                     "--no-announce", "--processes", "1", log=folder / "simulators.log")
        )  # fmt: skip
        assert simulators.stdout is not None
        assert simulators.stdout.readline(), "the simulators ended before they were ready"
        wire = stack.enter_context(listening(port, BOXES))
        server = Server(stack.enter_context(_process("tests.faults.failing_daemon", log=folder / "server.log")))
        yield Loft(folder, port, wire, server)


@contextmanager
def _process(module: str, *words: str, log: Path) -> Iterator[subprocess.Popen[str]]:
    """A Python program until the end of the block; the end of its standard input asks it to end."""
    own = {name: value for name, value in os.environ.items() if not name.startswith("FLEET_")}
    # One thread, so that numpy's do not stand in the way of a fork.
    environment = {**own, "PYTHONPATH": str(REPOSITORY), "OPENBLAS_NUM_THREADS": "1"}
    with log.open("a", encoding="utf-8") as errors:
        process = subprocess.Popen(
            [sys.executable, "-m", module, *words],
            cwd=REPOSITORY,
            env=environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=errors,
            text=True,
            start_new_session=True,
        )
        with process:
            try:
                yield process
            finally:
                assert process.stdin is not None
                process.stdin.close()
                if module == "simulators":
                    process.terminate()
                process.wait(PATIENCE_S)
