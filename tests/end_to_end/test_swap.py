"""A swap on the wire: the spare is muted before anything else is done to it, and unmuted after everything else."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from raw_recorder import Heard
from running import Running, running, without_power

Json = dict[str, Any]

HALL = """\
format: 1
room: hall
curves:
  warm: [{shape: bell, frequency_hz: 2500, gain_db: -4, q: 1.4}]   # as heard in spring
house_curve: {curve: warm, slot: 5}
defaults: {level_db: -12, mute: false}
positions:
  left:  {device: box-1}   # above the door
  right: {device: box-2}
"""


@pytest.fixture(scope="module")
def hall(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    folder = tmp_path_factory.mktemp("hall")
    venue = folder / "venue"
    (venue / "rooms").mkdir(parents=True)
    (venue / "venue.yaml").write_text("format: 1\nname: The Test Hall\ntime_zone: Europe/London\n", encoding="utf-8")
    (venue / "rooms" / "hall.yaml").write_text(HALL, encoding="utf-8")
    devices = [
        f"  - {{id: box-{number}, model: Fennbeck 12, serial: FB12-00{number}, firmware: 2.3.1,"
        f" mac: '02:00:5e:02:00:0{number}', outputs: {{1: {{level_db: -15}}}}}}\n"
        for number in (1, 2, 3)
    ]
    (venue / "devices.yaml").write_text(f"format: 1\ndevices:\n{''.join(devices)}", encoding="utf-8")
    with running(folder, devices=venue, venue=venue) as started:
        yield started


def mutes(one: Heard) -> list[bool]:
    """What a stage asks of mutes, in the words of the wire."""
    outputs = one.message["body"].get("settings", {}).get("outputs", [])
    return [output["mute"] for output in outputs if "mute" in output]


def asks_for_more(one: Heard) -> bool:
    """Whether a stage asks for anything but a mute."""
    body = one.message["body"]
    outputs = body.get("settings", {}).get("outputs", [])
    others = any(set(output) - {"output", "mute"} for output in outputs)
    return others or bool(body.get("recall") or body.get("slot_contents"))


def test_the_spare_is_muted_first_and_unmuted_last(hall: Running) -> None:
    with without_power(hall, "box-1", off_s=600):
        _swap(hall)


def _swap(hall: Running) -> None:
    mark = hall.recorder.mark()
    done = hall.commands.json("swap", "left", "box-3", "--yes", "--why", "dead before the show")
    assert done["state"] == "done", done["words"]
    writes = hall.recorder.writes_since(mark)
    assert {one.device for one in writes} == {"box-3"}
    staged = [one for one in writes if one.message["action"] == "stage"]
    assert mutes(staged[0]) == [True]
    assert not asks_for_more(staged[0])
    unmuting = [n for n, one in enumerate(staged) if False in mutes(one)]
    storing = [n for n, one in enumerate(staged) if asks_for_more(one)]
    assert len(unmuting) == 1
    settings = [n for n in storing if staged[n].message["body"].get("slot_contents")]
    assert settings
    assert unmuting[0] > max(settings)
    sounding = [one for one in hall.recorder.heard[mark:] if one.kind == "state" and one.device == "box-3"]
    silent = [one.message["outputs"][0]["mute"] for one in sounding]
    first = silent.index(True)
    assert silent[first:] == sorted(silent[first:], reverse=True), "muted, and then unmuted once"
    before = {(one.message["outputs"][0]["level_db"], one.message["active_slot"]) for one in sounding[:first]}
    assert len(before) <= 1, "nothing of it changed while it was not muted"
    state = hall.recorder.state("box-3")
    assert (state["outputs"][0]["level_db"], state["active_slot"]) == (-12, 5)
    assert hall.commands.json("devices", "box-1")["status"] == "retired"


def test_the_file_keeps_its_comments(hall: Running) -> None:
    files = hall.commands.json("files")["files"]
    assert files["rooms/hall.yaml"] == HALL.replace("device: box-1}", "device: box-3}")
