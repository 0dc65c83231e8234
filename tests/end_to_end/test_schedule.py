"""A real daemon, simulated devices, and a contact that any MQTT client can be: a value brings rooms into modes.

`FLEET_NIGHTLY=1` also waits for an entry of a schedule, which takes up to a minute.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion
from raw_recorder import Recorder, recording
from running import Commands, Json, daemon, eventually, simulators

from tests.brokers import LOOPBACK, embedded_broker

NIGHTLY = os.environ.get("FLEET_NIGHTLY") == "1"
ZONE = ZoneInfo("Asia/Kolkata")
WALL = "building/partition-1"
ROOM = """\
format: 1
room: {room}
curves:
  warm: [{{shape: bell, frequency_hz: 2500, gain_db: -4, q: 1.4}}]
house_curve: {{curve: warm, slot: 5}}
defaults: {{level_db: -12, mute: false}}
modes:
{modes}positions:
  left: {{device: {device}}}
"""
EAST = ROOM.format(
    room="east",
    device="box-1",
    modes=f"""\
  combined: {{defaults: {{level_db: -14}}, together_with: {{west: combined}}}}
  night: {{defaults: {{level_db: -20}}}}
contacts:
  - {{topic: {WALL}, modes: {{open: combined, closed: house}}, settle_s: 0.5}}
""",
)
WEST = ROOM.format(room="west", device="box-2", modes="  combined: {defaults: {level_db: -15}}\n")


@dataclass
class Wing:
    """Two rooms with a partition, the daemon that keeps them, and the contact of the partition."""

    commands: Commands
    recorder: Recorder
    venue: Path
    say: Callable[[str], None]

    def levels_db(self) -> list[float]:
        return [self.recorder.state(box)["outputs"][0]["level_db"] for box in ("box-1", "box-2")]

    def recalls(self) -> list[Json]:
        """Changes that the contact or the schedule asked for, newest first."""
        changes = self.commands.json("changes")["changes"]
        return [one for one in changes if one["who"].startswith(("contact", "schedule"))]

    def notices(self, kind: str) -> list[Json]:
        found: list[Json] = self.commands.json("notices", "--kind", kind)["notices"]
        return found


@contextmanager
def contact(port: int) -> Iterator[Callable[[str], None]]:
    """What a contact does: it writes its value to its topic."""
    client = Client(CallbackAPIVersion.VERSION2, client_id="partition")
    client.connect(LOOPBACK, port)
    client.loop_start()
    try:
        yield lambda value: client.publish(WALL, value).wait_for_publish()
    finally:
        client.disconnect()
        client.loop_stop()


@pytest.fixture(scope="module")
def wing(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Wing]:
    folder = tmp_path_factory.mktemp("wing")
    venue = folder / "venue"
    (venue / "rooms").mkdir(parents=True)
    (venue / "venue.yaml").write_text(f"format: 1\nname: The Wing\ntime_zone: {ZONE.key}\n", encoding="utf-8")
    (venue / "rooms" / "east.yaml").write_text(EAST, encoding="utf-8")
    (venue / "rooms" / "west.yaml").write_text(WEST, encoding="utf-8")
    devices = folder / "devices"
    devices.mkdir()
    lines = [
        f"  - {{id: box-{number}, model: Fennbeck 12, serial: FB12-00{number}, firmware: 2.3.1,"
        f" mac: '02:00:5e:02:00:0{number}', outputs: {{1: {{level_db: -15}}}}}}\n"
        for number in (1, 2)
    ]
    (devices / "devices.yaml").write_text(f"format: 1\ndevices:\n{''.join(lines)}", encoding="utf-8")
    commands = Commands(folder / "home")
    broker = f"mqtt://{LOOPBACK}"
    with (
        embedded_broker(folder) as port,
        recording(port) as recorder,
        simulators(port, devices, folder / "state"),
        daemon(commands.home, "--broker", f"{broker}:{port}", "--venue", str(venue), log=folder / "daemon.log"),
        contact(port) as say,
    ):
        eventually("both boxes are found", lambda: commands.json("devices")["counts"]["found"] == 2)
        commands.run("apply", "--every-room", "--yes", code=0)
        yield Wing(commands, recorder, venue, say)


def test_a_value_brings_both_rooms_into_their_modes_and_chatter_does_not(wing: Wing) -> None:
    wing.say("open")
    eventually("both rooms are combined", lambda: wing.levels_db() == [-14, -15])
    (record,) = wing.recalls()
    assert record["who"] == f"contact {WALL}"
    eventually("the change has ended", lambda: wing.recalls()[0]["state"] == "kept")

    mark = wing.recorder.mark()
    for number in range(9):
        wing.say("open" if number % 2 else "closed")
    eventually("the chatter is told of", lambda: wing.notices("contact"))
    time.sleep(1.5)  # three times as long as a value has to stand
    assert not wing.recorder.writes_since(mark)
    (notice,) = wing.notices("contact")
    assert f"the contact {WALL} changed" in notice["words"]
    assert wing.levels_db() == [-14, -15]


if NIGHTLY:  # it waits for a minute to begin

    def test_an_entry_of_the_schedule_brings_its_room_into_its_mode(wing: Wing) -> None:
        now = datetime.now(ZONE)
        due = now.replace(second=0, microsecond=0) + timedelta(minutes=1)
        entry = f'schedule:\n  - {{at: "{due:%H:%M}", mode: night}}\n'
        (wing.venue / "rooms" / "east.yaml").write_text(EAST + entry, encoding="utf-8")
        wing.commands.run("load", str(wing.venue), code=0)
        eventually("the room is in its night mode", lambda: wing.levels_db() == [-20, -12])
        record = next(one for one in wing.recalls() if one["who"] == "schedule")
        assert datetime.now(ZONE) >= due
        assert record["why"] == f"scheduled for {due:%H:%M}"
