"""`fleet room` and `fleet handover` as a person runs them: what they say, and what they never write over."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from fleet.errors import BadInput
from fleet.faces.cli.handover_folder import write
from fleet.model.settings import DeviceSettings, OutputSettings
from tests.faces.daemon_in_process import CommandLine, RunningDaemon, a_daemon, golden
from tests.faces.handover_venue import FILES, devices

WRITTEN = {
    *("bands.csv", "checks.csv", "delays.csv", "deviations.csv", "devices.csv", "differences.csv", "files.json"),
    *("handover.html", "lines.csv", "not-checked.csv", "settings.csv", "slots.csv", "snapshot.json", "taps.csv"),
}


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def test_a_room_as_a_person_reads_it(home: Path, fleet: CommandLine, tmp_path: Path) -> None:
    with a_daemon(home, devices(), loaded=False) as running:
        running.do(running.services.desired.load(FILES, "ines"))
        wrong = [
            *golden("room", fleet("room", "weir-hall"), "room", "weir-hall"),
            *golden("room-missing", fleet("room", "foyer"), "room", "foyer"),
            *golden("room-unknown", fleet("room", "attic"), "room", "attic"),
        ]
        document = json.loads(fleet("room", "weir-hall", "--json").out)
    assert not wrong, "\n".join(wrong)
    bar = next(p for p in document["positions"] if p["position"] == "bar-line")
    assert document["format"] == "fleet-room/1"
    assert bar["settings"]["level_db"] == {"wanted": "-10 dB", "reported": "-10 dB"}
    assert (bar["line"]["load_w"], bar["line"]["set"], bar["line"]["count"]) == (50.0, 4, 6)


def test_a_room_that_is_as_it_should_be_ends_with_0(daemon: RunningDaemon, fleet: CommandLine) -> None:
    assert fleet("room", "foyer").code == 1
    for name in ("box-4", "box-5"):
        box = daemon.driver.devices[name]
        box.live = DeviceSettings(outputs={1: OutputSettings(level_db=-10.0)}).over(box.live)
        daemon.touched(name)
    assert fleet("room", "foyer").code == 0


def test_a_hand_over_is_written_and_its_snapshot_is_what_it_says(
    daemon: RunningDaemon, fleet: CommandLine, tmp_path: Path
) -> None:
    folder = tmp_path / "papers" / "hall"
    said = fleet("handover", "weir-hall", "--out", str(folder), "--note", "spring", "--json")
    assert (said.code, said.err) == (0, "")
    document = json.loads(said.out)
    assert names(folder) == WRITTEN
    assert set(document["files"]) == WRITTEN - {"files.json"}
    sealed = json.loads((folder / "snapshot.json").read_text(encoding="utf-8"))
    assert sealed["sha256"] == document["sha256"]
    assert fleet("snapshot", "verify", str(folder / "snapshot.json")).code == 0
    assert sealed["sha256"] in (folder / "handover.html").read_text(encoding="utf-8")
    exported = tmp_path / "exported.json"
    assert fleet("snapshot", "export", document["snapshot"], "--out", str(exported)).code == 0
    assert exported.read_bytes() == (folder / "snapshot.json").read_bytes()


def test_what_it_says(
    daemon: RunningDaemon, fleet: CommandLine, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.chdir(tmp_path)
    gone = daemon.driver.devices["box-5"]
    gone.online = False
    daemon.touched("box-5")
    whole = ("handover", "--venue", "--out", "papers")
    wrong = [
        *golden("handover", fleet(*whole), *whole),
        *golden("handover-again", fleet(*whole), *whole),
        *golden("handover-replace", fleet(*whole, "--replace"), *whole, "--replace"),
        *golden(
            "handover-unknown", fleet("handover", "attic", "--out", "other"), "handover", "attic", "--out", "other"
        ),
    ]
    assert not wrong, "\n".join(wrong)
    assert not (tmp_path / "other").exists()


@pytest.mark.parametrize("words", [(), ("weir-hall", "--venue"), ("weir-hall",)])
def test_a_room_or_the_venue_and_a_folder_are_wanted(fleet: CommandLine, words: tuple[str, ...]) -> None:
    said = fleet("handover", *words)
    assert said.code == 2
    assert "Traceback" not in said.err


def test_only_a_hand_over_of_our_own_is_replaced(tmp_path: Path) -> None:
    folder = tmp_path / "papers"
    write(folder, {"a.csv": "1", "walk.csv": "2"}, replace=False)
    with pytest.raises(BadInput, match="--replace"):
        write(folder, {"a.csv": "3"}, replace=False)
    write(folder, {"a.csv": "3"}, replace=True)
    assert names(folder) == {"a.csv", "files.json"}, "what the new one does not have goes"

    (folder / "plan.pdf").write_text("mine", encoding="utf-8")
    with pytest.raises(BadInput, match=r"plan\.pdf, which no hand-over wrote"):
        write(folder, {"a.csv": "4"}, replace=True)
    (folder / "plan.pdf").unlink()

    (folder / "a.csv").write_text("3, and a remark", encoding="utf-8")
    with pytest.raises(BadInput, match=r"a\.csv was changed since"):
        write(folder, {"a.csv": "4"}, replace=True)
    assert (folder / "a.csv").read_text(encoding="utf-8") == "3, and a remark"


def test_what_was_in_the_way_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(BadInput, match="no folder"):
        write(tmp_path / "file", {"a.csv": "1"}, replace=True)
    with pytest.raises(BadInput, match="cannot be written"):
        write(tmp_path / "file" / "below", {"a.csv": "1"}, replace=False)
    forged = tmp_path / "forged"
    forged.mkdir()
    (forged / "files.json").write_text('{"format": "fleet-handover-files/1", "files": ["mine.txt"]}', encoding="utf-8")
    (forged / "mine.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(BadInput, match=r"mine\.txt"):
        write(forged, {"a.csv": "1"}, replace=True)
