"""`fleet capture` and `fleet files` as a person uses them."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from fleet.desired.folder import read_folder
from fleet.model.settings import DeviceSettings
from tests.faces.daemon_in_process import CommandLine, RunningDaemon, a_daemon, golden
from tests.services.small_venue import FILES, FLAT, box, boxes


@pytest.fixture
def daemon(home: Path) -> Iterator[RunningDaemon]:
    """A daemon with two boxes more than its venue names, one of them muted at its panel."""
    spare = [box("new-1"), box("new-2")]
    for device in spare:
        device.live = DeviceSettings(input="network", outputs={1: replace(FLAT, level_db=-14.5)})
    spare[1].mute_causes = {1: ("panel",)}
    with a_daemon(home, [*boxes(), *spare]) as running:
        yield running


def test_a_capture_as_a_person_reads_it(daemon: RunningDaemon, fleet: CommandLine, tmp_path: Path) -> None:
    wrong: list[str] = []

    def run(name: str, *arguments: str) -> int:
        said = fleet(*arguments)
        wrong.extend(golden(name, said, *arguments))
        return said.code

    assert run("capture-plan", "capture", "cellar", "--all-unbound", "--plan") == 0
    assert run("capture", "capture", "cellar", "--devices", "new-1=left,new-2=right", "--why", "first visit") == 0
    assert run("capture-again", "capture", "cellar", "--devices", "new-1") == 2
    assert run("capture-refused", "capture", "attic", "--devices", "new-1,box-9,nix") == 2
    assert run("capture-differs", "capture", "weir-hall", "--devices", "box-1", "--into", "rooms/weir-hall.yaml") == 1
    assert run("files", "files") == 0
    assert not wrong, "\n".join(wrong)


def test_nothing_differs_after_a_capture(daemon: RunningDaemon, fleet: CommandLine) -> None:
    assert fleet("capture", "cellar", "--all-unbound").code == 0
    assert fleet("diff", "cellar", "--all").code == 0


def test_the_callers_folder_is_written_too_unless_it_has_changes_of_its_own(
    daemon: RunningDaemon, fleet: CommandLine, tmp_path: Path
) -> None:
    folder = tmp_path / "venue"
    assert fleet("files", "--to", str(folder)).code == 0
    assert read_folder(folder) == FILES
    said = fleet("capture", "cellar", "--devices", "new-1", "--folder", str(folder))
    assert (said.code, "written:" in said.out, "not written:" in said.out) == (0, True, False)
    in_force = json.loads(fleet("files", "--json").out)
    assert in_force["format"] == "fleet-files/1"
    assert read_folder(folder) == in_force["files"]
    (folder / "rooms/cellar.yaml").write_text("mine\n", encoding="utf-8")
    arguments = (
        "capture",
        "cellar",
        "--devices",
        "new-1,new-2",
        "--into",
        "rooms/cellar.yaml",
        "--folder",
        str(folder),
    )
    said = fleet(*arguments)
    assert said.code == 2
    assert "rooms/cellar.yaml has changes of its own that are not in force. Load or undo them first." in said.err
    assert (folder / "rooms/cellar.yaml").read_text(encoding="utf-8") == "mine\n"
    said = fleet("files", "--to", str(folder))
    assert (said.code, "rooms/cellar.yaml is not as in the version in force" in said.err) == (2, True)


def test_the_document_tells_the_file_and_what_is_in_force(daemon: RunningDaemon, fleet: CommandLine) -> None:
    planned = json.loads(fleet("capture", "cellar", "--all-unbound", "--plan", "--json").out)
    done = json.loads(fleet("capture", "cellar", "--all-unbound", "--json").out)
    assert (planned["format"], planned["version"], planned["sha256"]) == ("fleet-capture/1", None, None)
    assert {k: v for k, v in planned.items() if k not in ("version", "sha256")} == {
        k: v for k, v in done.items() if k not in ("version", "sha256")
    }
    assert done["files"] == {"rooms/cellar.yaml": done["text"]}
    assert done["version"] == 2
    assert done["positions"][0] == {"position": "new-1", "device": "new-1", "output": 1}


@pytest.mark.parametrize(
    "arguments",
    [
        ("capture", "cellar"),
        ("capture", "cellar", "--devices", "new-1", "--all-unbound"),
        ("capture", "cellar", "--devices", "new-1="),
        ("capture", "cellar", "--devices", ","),
        ("capture", "cellar", "--devices", "new-1", "--folder", "/nowhere"),
        ("capture", "cellar", "--devices", "new-1=X Y"),
        ("files", "--to", "/proc/nowhere"),
    ],
)
def test_bad_input_is_told_and_changes_nothing(
    daemon: RunningDaemon, fleet: CommandLine, arguments: tuple[str, ...]
) -> None:
    said = fleet(*arguments)
    assert said.code == 2
    assert said.err
    assert "a fault of this program" not in said.err
    assert daemon.services.desired.in_force().files == FILES
