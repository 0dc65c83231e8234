"""A year in the life of a small venue, from the planner's sheet to the yearly service, as a person reads it.

The terminal's output is kept in golden/year.txt; `FLEET_GOLDEN=write` writes it anew from a run. Ids, hashes and
times differ from run to run and are taken out, as are the folders of the test.
"""

from __future__ import annotations

import os
import re
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from raw_recorder import recording
from running import Commands, Running, daemon, eventually, simulators, without_power

from tests.brokers import LOOPBACK, embedded_broker

GOLDEN = Path(__file__).parent / "golden" / "year.txt"
SHEET = """\
room,room_name,position,device,x_m,y_m,z_m,groups,level_db,circuit,switch_port,curve,slot
mill-hall,Mill Hall,left,box-1,0,-3,4,,-12,B3,sw-1/4,warm,5
mill-hall,,right,box-9,0,3,4,,-12,B3,sw-1/5,,
"""
VENUE = """\
format: 1
name: The Mill
time_zone: Europe/London
curves:
  warm: [{shape: bell, frequency_hz: 2500, gain_db: -3, q: 1.4}]
"""
ANSWERS = """\
format: 1
positions:
  left:  {place: yes, source: yes, sound: yes, polarity: yes}
  right: {place: yes, source: yes, sound: %s, polarity: yes, notes: %s}
"""
VARYING = (
    (re.compile(r"\b[0-9a-f]{64}\b"), "SHA256"),
    (re.compile(r"\bplan [0-9a-f]{12}\b"), "plan DIGEST"),
    (re.compile(r"\d{4}-\d\d-\d\d[ T]\d\d:\d\d(:\d\d)?"), "TIME"),
    (re.compile(r"(?<= last seen )\d\d:\d\d"), "TIME"),
    (re.compile(r"(?<= since )\d\d:\d\d"), "TIME"),
    (re.compile(r"\b\d{4}-\d\d-\d\d\b"), "DAY"),
    (re.compile(r"\b([a-z]{1,4})-[0-9a-f]{8}\b"), r"\1-ID"),
)


@dataclass
class Year:
    """The venue, and everything that was typed and printed."""

    folder: Path
    hall: Running
    told: list[str] = field(default_factory=list)

    def fleet(self, *words: str, code: int = 0) -> str:
        """Type a command; what it prints is kept."""
        ran = self.hall.commands.run(*words, code=code)
        text = ran.out + (f"--- on stderr\n{ran.err}" if ran.err else "")
        for pattern, instead in VARYING:
            text = pattern.sub(instead, text)
        typed = " ".join(f'"{word}"' if " " in word else word for word in words)
        said = f"$ fleet {typed}\n{text}".replace(str(self.folder), "FOLDER")
        said = re.sub(r"\n +FOLDER", " FOLDER", said)  # a long folder wraps, a short one does not
        self.told.append(said)
        return ran.out


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder with a short name: a long one breaks differently in the terminal."""
    with tempfile.TemporaryDirectory(prefix="year-", dir="/tmp") as name:
        yield Path(name)


def test_a_year_in_the_life_of_a_venue(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LOGNAME", "ines")
    with a_venue(folder) as year:
        fleet, recorder = year.fleet, year.hall.recorder
        # Not those that are only seen: other tests announce theirs on this machine, too.
        here = [word for status in ("bound", "missing", "reachable") for word in ("--status", status)]
        fleet("devices", *here, "--sort", "id")
        fleet("bind", "right", "box-2")
        fleet("capture", "annexe", "--devices", "box-4=desk", "--folder", str(folder / "venue"))
        fleet("diff", "annexe")
        answers(folder / "spring.yaml", "yes", "as new")
        fleet("walk", "mill-hall", "--answers", str(folder / "spring.yaml"), "--as-baseline", "--yes")
        assert [recorder.state(box)["outputs"][0]["mute"] for box in ("box-1", "box-2")] == [False, False]
        fleet("diff", "mill-hall", code=1)
        fleet("apply", "mill-hall", "--yes", "--allow", "half-room", "--why", "first visit")
        fleet("store", "mill-hall", "--yes", "--why", "first visit")
        fleet("diff", "mill-hall")
        fleet("handover", "mill-hall", "--out", str(folder / "handed-over"))
        assert (folder / "handed-over" / "handover.html").stat().st_size > 0
        with without_power(year.hall, "box-1", off_s=25):
            fleet("diff", "mill-hall", code=1)
            fleet("swap", "left", "box-3", "--yes", "--why", "dead before the show")
        assert recorder.state("box-3")["outputs"][0]["level_db"] == -12.0
        eventually("the old box is back", lambda: year.hall.commands.json("devices", "box-1")["online"])
        fleet("devices", "box-1", "--json")
        year.told.pop()  # its uptime and its sightings are those of this run
        assert year.hall.commands.json("devices", "box-1")["status"] == "retired"
        answers(folder / "autumn.yaml", "not sure", "rattles")
        fleet("walk", "mill-hall", "--answers", str(folder / "autumn.yaml"), "--yes", code=1)
        fleet("recall", "mill-hall", "--yes", "--why", "yearly service")
        fleet("diff")
        assert not [s for b in ("box-1", "box-2", "box-3") if (s := recorder.state(b).get("change"))]
    text = "\n".join(year.told)
    if os.environ.get("FLEET_GOLDEN") == "write":
        GOLDEN.parent.mkdir(exist_ok=True)
        GOLDEN.write_text(text, encoding="utf-8")
    assert text == GOLDEN.read_text(encoding="utf-8")


def answers(path: Path, sound: str, notes: str) -> None:
    path.write_text(ANSWERS % (sound, notes), encoding="utf-8")


@contextmanager
def a_venue(folder: Path) -> Iterator[Year]:
    """Four boxes that were never set; the sheet becomes the venue's files before a daemon takes them."""
    venue, devices = folder / "venue", folder / "boxes"
    devices.mkdir()
    rows = "".join(
        f"  - {{id: box-{n}, model: Fennbeck 12, serial: FB12-00{n}, firmware: 2.3.1,"
        f" mac: '02:00:5e:02:00:0{n}', outputs: {{1: {{level_db: -15}}}}}}\n"
        for n in (1, 2, 3, 4)
    )
    (devices / "devices.yaml").write_text(f"format: 1\ndevices:\n{rows}", encoding="utf-8")
    (venue / "rooms").mkdir(parents=True)
    (venue / "venue.yaml").write_text(VENUE, encoding="utf-8")
    (folder / "sheet.csv").write_text(SHEET, encoding="utf-8")
    commands = Commands(folder / "home")
    with embedded_broker(folder) as port, recording(port) as recorder, simulators(port, devices, folder / "state"):
        year = Year(folder, Running(commands=commands, recorder=recorder, state=folder / "state"))
        year.fleet("import", str(folder / "sheet.csv"), "--folder", str(venue))
        options = ("--broker", f"mqtt://{LOOPBACK}:{port}", "--venue", str(venue))
        with daemon(commands.home, *options, log=folder / "daemon.log"):
            eventually("every box is found", lambda: commands.json("devices")["counts"]["found"] == 4)
            yield year
