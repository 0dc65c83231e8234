"""How long `fleet swap` takes on simulated devices, command and all: `python -m tests.benchmarks.bench_swap [TIMES]`.

A daemon, a broker and simulated boxes of one model run as processes. The old box is without power or still answers;
the spare stands at the wanted level or 60 dB below it, so that it is brought up in a ramp once it is unmuted. To be
read against the promise of a minute.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "end_to_end"))

from running import Running, eventually, process, running

PROMISED_S = 60.0
WANTED_DB = 0.0
ROOM = """\
format: 1
room: hall
curves:
  warm: [{shape: bell, frequency_hz: 2500, gain_db: -4, q: 1.4}]
house_curve: {curve: warm, slot: 5}
defaults: {mute: false}
"""


@dataclass(frozen=True)
class Case:
    """What is swapped: whether the old box still answers, and the level at which the spare was found."""

    name: str
    answers: bool
    spare_db: float


CASES = (
    Case("same model, old one dead", answers=False, spare_db=WANTED_DB),
    Case("same model, old one answers", answers=True, spare_db=WANTED_DB),
    Case("ramp of 60 dB, old one dead", answers=False, spare_db=WANTED_DB - 60),
)


def main(times: int) -> None:
    print(f"{'swap':<30} {'swaps':>6} {'median s':>9} {'longest s':>10}")
    for case in CASES:
        with tempfile.TemporaryDirectory(prefix="fleet-bench-") as name:
            seconds = timed(Path(name), case, times)
        print(f"{case.name:<30} {times:>6} {statistics.median(seconds):>9.1f} {max(seconds):>10.1f}")
    print(f"promised: under {PROMISED_S:.0f} s")


def timed(folder: Path, case: Case, times: int) -> list[float]:
    """Seconds of so many swaps one after another, each at a place of its own."""
    venue = write_venue(folder / "venue", case, times)
    found: list[float] = []
    with running(folder, devices=venue, venue=venue) as hall, ExitStack() as stack:
        hall.commands.run("apply", "hall", "--yes", "--allow", "half-room", "--allow", "rise", code=0)
        hall.commands.run("store", "hall", "--yes", code=0)
        for number in range(1, times + 1):
            if not case.answers:
                stack.enter_context(without_power(hall, f"old-{number}"))
            began = time.perf_counter()
            done = hall.commands.json("swap", f"place-{number}", f"new-{number}", "--yes")
            found.append(time.perf_counter() - began)
            assert done["state"] == "done", done["words"]
            level_db = hall.recorder.state(f"new-{number}")["outputs"][0]["level_db"]
            assert level_db == WANTED_DB, f"new-{number} is at {level_db:g} dB"
    return found


def write_venue(folder: Path, case: Case, times: int) -> Path:
    """A room with a place for each swap, its boxes, and as many spares."""
    (folder / "rooms").mkdir(parents=True)
    (folder / "venue.yaml").write_text("format: 1\nname: Bench\ntime_zone: Europe/London\n", encoding="utf-8")
    numbers = range(1, times + 1)
    places = [f"  place-{n}: {{device: old-{n}, level_db: {WANTED_DB:g}}}" for n in numbers]
    (folder / "rooms" / "hall.yaml").write_text(ROOM + "\n".join(["positions:", *places]) + "\n", encoding="utf-8")
    levels_db = {f"old-{n}": WANTED_DB for n in numbers} | {f"new-{n}": case.spare_db for n in numbers}
    devices = [
        f"  - {{id: {device}, model: Fennbeck 12, serial: FB12-{n:03d}, firmware: 2.3.1,"
        f" mac: '02:00:5e:04:00:{n:02x}', outputs: {{1: {{level_db: {level_db:g}}}}}}}"
        for n, (device, level_db) in enumerate(levels_db.items(), start=1)
    ]
    (folder / "devices.yaml").write_text("\n".join(["format: 1", "devices:", *devices]) + "\n", encoding="utf-8")
    return folder


@contextmanager
def without_power(hall: Running, device: str) -> Iterator[None]:
    """A device that is dead to the end of the block."""
    words = ["-m", "simulators", "power-cut", "--state", str(hall.state), device, "--off-s", "3600"]
    with process([sys.executable, *words]):
        eventually(f"{device} is missing", lambda: hall.commands.json("devices", device)["status"] == "missing")
        yield


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 3)
