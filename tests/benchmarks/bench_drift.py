"""From a press to drift shown, and an idle daemon's cost: `python -m tests.benchmarks.bench_drift [DEVICES ...]`.

A real daemon and simulated devices on the embedded broker (100 and 1000). The press is a line to the
simulators' socket; "shown" is the first answer of `GET /v1/drift` that has it, asked for every 20 ms. "idle" is the
processor time of the daemon over a minute in which no device does anything, as a share of one core. Limits: 1 s, 5 %.
"""

from __future__ import annotations

import asyncio
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import httpx

from simulators import control
from simulators.gestures import gesture
from tests.benchmarks.bench_apply import devices_of, venue_files
from tests.brokers import LOOPBACK, embedded_broker

PRESSES = 20
QUIET_S = 60.0
ASK_EVERY_S = 0.02
WARM_UP_S = 15.0
"""Until the rooms were looked at, and the inventory and the watch have written down what they saw."""


class Daemon:
    """A running daemon, asked over its API."""

    def __init__(self, home: Path, started: subprocess.Popen[str]) -> None:
        url = json.loads((home / "daemon.json").read_text(encoding="utf-8"))["url"]
        token = (home / "token").read_text(encoding="utf-8")
        self._client = httpx.Client(base_url=f"{url}/v1", headers={"Authorization": f"Bearer {token}"}, timeout=60)
        self._pid = started.pid

    def get(self, path: str) -> dict[str, Any]:
        """A document."""
        found: dict[str, Any] = self._client.get(path).raise_for_status().json()
        return found

    def load(self, files: dict[str, str]) -> None:
        """Put files in force."""
        self._client.post("/versions", json={"files": files, "who": "bench"}).raise_for_status()

    def cpu_s(self) -> float:
        """Processor time so far."""
        fields = Path(f"/proc/{self._pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def resident_mb(self) -> float:
        """Resident memory."""
        pages = int(Path(f"/proc/{self._pid}/statm").read_text(encoding="utf-8").split()[1])
        return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def measure(folder: Path, count: int) -> None:
    """A row of the table."""
    from tests.end_to_end.running import daemon

    devices = [f"box-{n:04d}" for n in range(count)]
    home = folder / "home"
    with (
        embedded_broker(folder) as port,
        devices_of(folder, port, devices),
        daemon(home, "--broker", f"mqtt://{LOOPBACK}:{port}", log=folder / "daemon.log") as started,
    ):
        one = Daemon(home, started)
        while one.get("/devices")["counts"]["found"] < count:
            time.sleep(0.5)
        one.load(venue_files(devices, -16.0))
        time.sleep(WARM_UP_S)
        before = one.cpu_s()
        time.sleep(QUIET_S)
        idle = (one.cpu_s() - before) / QUIET_S
        shown = [press(one, folder / "state", device) for device in devices[:: max(1, count // PRESSES)][:PRESSES]]
        print(
            f"{count:>8} {1000 * statistics.median(shown):>12.0f} {1000 * max(shown):>12.0f}"
            f" {idle:>8.1%} {one.resident_mb():>12.0f}"
        )


def press(one: Daemon, state: Path, device: str) -> float:
    """Seconds from a press at a device to the drift that is shown."""
    began = time.perf_counter()
    asyncio.run(control.press(state, device, gesture("level", ["-40"], None)))
    while not any(e["device"] == device for e in one.get("/drift")["episodes"]):
        time.sleep(ASK_EVERY_S)
    return time.perf_counter() - began


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[1] / "end_to_end"))
    print(f"{'devices':>8} {'shown ms':>12} {'at most ms':>12} {'idle':>8} {'resident MB':>12}")
    for number in [int(argument) for argument in sys.argv[1:]] or [100, 1000]:
        with tempfile.TemporaryDirectory(prefix="fleet-bench-") as name:
            measure(Path(name), number)
