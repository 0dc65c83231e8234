"""Modes on real simulated devices: stored, recalled, kept over a restart, combined rooms both or neither."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from raw_recorder import Recorder, recording, settings
from running import DEMO_VENUE, Commands, Running, daemon, eventually, simulators

from tests.brokers import LOOPBACK, embedded_broker

ALLOWED = (
    "--yes",
    *(word for guard in ("rise", "half-room", "unmanaged", "live-click") for word in ("--allow", guard)),
)
STUDIO = ("rill-0201", "rill-0202", "rill-0203", "rill-0204", "under-0211")
REHEARSAL = ("fenn-0601", "fenn-0602", "under-0611")


class House:
    """The demo venue on a broker, with a daemon that can be started again."""

    def __init__(self, folder: Path, stack: ExitStack) -> None:
        self.folder = folder
        port = stack.enter_context(embedded_broker(folder))
        self.recorder: Recorder = stack.enter_context(recording(port))
        self.number = stack.enter_context(simulators(port, DEMO_VENUE, folder / "devices"))
        self.commands = Commands(folder / "home")
        self.running = Running(commands=self.commands, recorder=self.recorder, state=folder / "devices")
        self.broker = f"mqtt://{LOOPBACK}:{port}"

    def start(self) -> ExitStack:
        """A daemon that has found every device."""
        stack = ExitStack()
        stack.enter_context(daemon(self.commands.home, "--broker", self.broker, log=self.folder / "daemon.log"))
        eventually("every simulated device is found", self._all_found)
        return stack

    def _all_found(self) -> bool:
        return int(self.commands.json("devices")["counts"]["found"]) >= self.number

    def modes(self, *names: str) -> list[str]:
        """The modes that rooms are in."""
        rooms = {one["room"]: str(one["mode"]) for one in self.commands.json("rooms", code=1)["rooms"]}
        return [rooms[name] for name in names]

    def levels_db(self, *devices: str) -> list[float]:
        """What they sound like."""
        return [float(self.recorder.state(device)["outputs"][0]["level_db"]) for device in devices]


def everything(house: House) -> dict[str, object]:
    """What can be heard of both rooms."""
    return {device: settings(house.recorder.state(device)) for device in (*STUDIO, *REHEARSAL)}


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    with ExitStack() as stack:
        yield House(tmp_path, stack)


def test_modes_from_the_file_to_the_boxes(house: House) -> None:
    fleet = house.commands
    with house.start():
        fleet.run("load", str(DEMO_VENUE), code=0)
        fleet.run("store", "foyer", "--mode", "reception", "--yes", code=0)
        assert house.modes("foyer") == ["house"]
        said = fleet.run("recall", "foyer", "--mode", "reception", *ALLOWED, code=0).said
        assert "foyer in mode reception" in said
        assert "mode:  foyer: house to reception" in said
        assert house.levels_db("mill-0401", "weir-0410") == [-16, -12]
        assert fleet.json("diff", "foyer", "--group", "ceiling")["same"] is True
    with house.start():
        assert house.modes("foyer") == ["reception"], "a restart of the daemon leaves a room in its mode"
        assert "in mode reception" in fleet.run("room", "foyer", code=0).out
        found = house.levels_db(*STUDIO, *REHEARSAL)
        wall = fleet.json("recall", "rehearsal-room", "--mode", "open", *ALLOWED, code=1)
        assert [one["position"] for one in wall["plan"]["left_out"]] == ["mirror-wall"], "it was never seen"
        assert wall["plan"]["modes"] == {
            room: {"was": "house", "then": "open"} for room in ("lantern-studio", "rehearsal-room")
        }
        assert house.levels_db(*STUDIO) == [-12, -11.5, -12, -12, -10]
        assert house.levels_db("fenn-0601", "under-0611") == [-13, -11]

        before = everything(house)
        house.running.simulators("fault", "fenn-0602", "accepts_and_does_not")
        failed = fleet.json("recall", "lantern-studio", "--mode", "house", *ALLOWED, code=2)
        assert failed["state"] == "rolled back"
        assert list(failed["culprits"]) == ["fenn-0602"]
        assert house.modes("lantern-studio", "rehearsal-room") == ["open", "open"]
        eventually("both rooms are as before", lambda: everything(house) == before)
        house.running.simulators("fault", "fenn-0602", "none")

        fleet.run("rollback", wall["id"], *ALLOWED, code=0)
        assert house.modes("lantern-studio", "rehearsal-room") == ["house", "house"]
        eventually("all levels are as they were found", lambda: house.levels_db(*STUDIO, *REHEARSAL) == found)
