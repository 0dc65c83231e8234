"""The commands by hand, over a daemon and the simulated devices of the demo venue; checked against raw MQTT."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import pytest
import rfc8785
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from raw_recorder import Recorder, settings
from running import DEMO_VENUE, Commands, Running, eventually

Json = dict[str, Any]


def level_db(recorder: Recorder, device: str) -> float:
    return float(recorder.state(device)["outputs"][0]["level_db"])


def test_devices_lists_what_is_there_what_is_missing_and_what_is_in_conflict(venue: Running) -> None:
    document = venue.commands.json("devices")
    status = {row["id"]: row["status"] for row in document["devices"]}
    assert status["fenn-0101"] == "bound"
    assert status["fenn-0603"] == "missing"
    assert status["rill-0501"] == status["rill-0502"] == "conflicting"
    assert status["fenn-0901"] == "reachable"
    assert {row["id"] for row in document["devices"] if row["online"]} == set(venue.recorder.told("state"))
    assert "RL5-000501 is claimed by rill-0501 and rill-0502" in venue.commands.run("devices", code=0).out


def test_one_device_is_shown_as_it_tells_of_itself(venue: Running) -> None:
    document = venue.commands.json("devices", "rill-0203")
    raw = venue.recorder.state("rill-0203")
    assert document["serial"] == raw["serial"]
    assert document["reported"]["state"]["active_slot"] == raw["active_slot"]
    assert "rill-0203" in venue.commands.run("devices", "rill-0203", code=0).out


def test_an_unknown_device_is_trouble_and_says_what_to_do(venue: Running) -> None:
    ran = venue.commands.run("devices", "no-such-box", code=2)
    assert "no-such-box" in ran.err
    assert "fleet devices" in ran.err
    assert ran.out == ""


def test_loading_the_same_folder_again_changes_nothing(venue: Running) -> None:
    document = venue.commands.json("load", str(DEMO_VENUE))
    assert document["unchanged"] is True
    assert document["rooms"] == 6
    assert "in force already" in venue.commands.run("load", str(DEMO_VENUE), code=0).out


def test_rooms_says_which_room_differs(venue: Running) -> None:
    document = venue.commands.json("rooms", code=1)
    same = {room["room"]: room["same"] for room in document["rooms"]}
    assert len(same) == 6
    assert same["lantern-studio"] is False
    assert "lantern-studio" in venue.commands.run("rooms", code=1).out


def test_check_looks_at_the_version_in_force_and_at_a_folder(venue: Running) -> None:
    document = venue.commands.json("check", str(DEMO_VENUE), code=1)
    assert document["findings"] == venue.commands.json("check", code=1)["findings"]
    assert document["counts"].get("error", 0) == sum(1 for f in document["findings"] if f["severity"] == "error")
    assert f"{document['findings'][0]['file']}:" in venue.commands.run("check", code=1).out


def test_diff_ends_with_1_where_something_differs_and_says_it_in_words(venue: Running) -> None:
    document = venue.commands.json("diff", "rehearsal-room", code=1)
    assert document["same"] is False
    muted = [d for d in document["differences"] if d["setting"] == "mute"]
    assert [(d["position"], d["device"], d["grade"]) for d in muted] == [("right", "fenn-0602", "serious")]
    assert "muted by panel" in venue.commands.run("diff", "rehearsal-room", code=1).out
    assert venue.recorder.state("fenn-0602")["outputs"][0]["mute_causes"] == ["panel"]


def test_diff_of_a_position_that_is_as_it_should_be_ends_with_0(venue: Running) -> None:
    assert venue.commands.json("diff", "quay-hall", "--position", "balcony-2", code=0)["same"] is True


def test_a_plan_only_ends_with_1_and_sends_nothing_but_questions(venue: Running) -> None:
    mark, revisions = venue.recorder.mark(), venue.recorder.revisions()
    document = venue.commands.json("apply", "long-gallery", "--group", "far", "--plan", code=1)
    assert [device["device"] for device in document["devices"]] == ["reed-0303"]
    assert "3.15 kHz" in venue.commands.run("apply", "long-gallery", "--group", "far", "--plan", code=1).out
    assert venue.recorder.asked_since(mark)
    assert venue.recorder.writes_since(mark) == []
    assert venue.recorder.revisions() == revisions


def test_a_plan_of_a_group_that_is_right_is_empty_and_ends_with_0(venue: Running) -> None:
    assert venue.commands.json("apply", "quay-hall", "--group", "balcony", "--plan", code=0)["empty"] is True


def test_apply_without_a_terminal_and_without_yes_is_refused_and_nothing_is_sent(venue: Running) -> None:
    mark, revisions = venue.recorder.mark(), venue.recorder.revisions()
    ran = venue.commands.run("apply", "long-gallery", "--group", "far", code=2)
    assert "--yes" in ran.err
    assert venue.recorder.writes_since(mark) == []
    assert venue.recorder.revisions() == revisions


def test_apply_is_refused_by_a_guard_rail_that_is_named_with_the_way_to_lift_it(venue: Running) -> None:
    mark, before = venue.recorder.mark(), settings(venue.recorder.state("mill-0402"))
    ran = venue.commands.run("apply", "foyer", "--group", "ceiling", "--yes", code=2)
    assert "--allow rise" in ran.err
    assert venue.recorder.writes_since(mark) == []
    assert settings(venue.recorder.state("mill-0402")) == before


def test_devices_in_conflict_are_refused_by_position_whatever_is_allowed(venue: Running) -> None:
    mark = venue.recorder.mark()
    ran = venue.commands.run("apply", "cafe", "--allow", "conflicting", "--allow", "half-room", "--yes", code=2)
    assert "table-left (rill-0501)" in ran.err
    assert "--without" in ran.err
    assert venue.recorder.writes_since(mark) == []


def test_an_applied_group_is_right_and_a_rollback_brings_its_first_state_back(venue: Running) -> None:
    recorder, commands = venue.recorder, venue.commands
    found = recorder.told("state")
    assert level_db(recorder, "mill-0402") == -30

    words = ("apply", "foyer", "--group", "ceiling", "--allow", "rise", "--yes", "--why", "a test level stayed")
    applied = commands.json(*words)
    assert applied["state"] == "kept"
    assert applied["culprits"] == {}
    eventually("the device tells its new level", lambda: level_db(recorder, "mill-0402") == -22)
    assert commands.json("diff", "foyer", "--group", "ceiling", code=0)["same"] is True

    listed = commands.json("changes")["changes"]
    assert applied["id"] in {row["id"] for row in listed}
    assert applied["id"] in commands.run("changes", code=0).out
    story = commands.json("changes", applied["id"])
    assert story["why"] == "a test level stayed"
    assert [entry["what"] for entry in story["story"]][-1] == "kept"
    assert "a test level stayed" in commands.run("changes", applied["id"], code=0).out

    assert commands.run("rollback", applied["id"], "--plan", code=1).out
    undone = commands.json("rollback", applied["id"], "--yes")
    assert undone["state"] == "kept"
    assert undone["undoes"] == applied["id"]
    eventually("the device tells its old level", lambda: level_db(recorder, "mill-0402") == -30)
    for device in ("mill-0401", "mill-0402", "mill-0403", "mill-0404"):
        assert settings(recorder.state(device)) == settings(found[device])


def test_a_stored_house_curve_is_in_the_slot_and_a_recall_alone_brings_it_back(venue: Running) -> None:
    recorder, commands = venue.recorder, venue.commands
    scope = ("quay-hall", "--group", "front-fills")

    def stored_ms(device: str) -> float:
        slots = recorder.told("slots")[device]["slots"]
        return float(next(slot for slot in slots if slot["slot"] == 4)["outputs"][0]["delay_ms"])

    def live_ms(device: str) -> float:
        return float(recorder.state(device)["outputs"][0]["delay_ms"])

    def exchanged() -> bool:
        # Outer boxes have the longer way: 1549 and 2171 samples at 96 kHz, worked out in the venue's devices.yaml.
        return abs(stored_ms("rill-0121") - 1549 / 96) < 1e-6 and abs(stored_ms("rill-0122") - 2171 / 96) < 1e-6

    assert not exchanged()
    assert commands.json("store", *scope, "--yes")["state"] == "kept"
    eventually("the slots hold the right delays", exchanged)
    assert live_ms("rill-0121") != stored_ms("rill-0121"), "storing leaves the sound alone"

    recalled = commands.json("recall", *scope, "--allow", "live-click", "--yes")
    assert recalled["state"] == "kept"
    eventually("the delays sound", lambda: live_ms("rill-0121") == stored_ms("rill-0121"))
    assert commands.json("diff", *scope, code=0)["same"] is True
    assert "nothing to do" in commands.run("recall", *scope, "--yes", code=0).out


def test_identify_asks_the_device_to_blink_and_changes_nothing(venue: Running) -> None:
    mark, revisions = venue.recorder.mark(), venue.recorder.revisions()
    document = venue.commands.json("identify", "rill-0131", "--seconds", "2")
    assert (document["device"], document["seconds"]) == ("rill-0131", 2)
    asked = [one for one in venue.recorder.asked_since(mark) if one.message["action"] == "identify"]
    assert [(one.device, one.message["body"]) for one in asked] == [("rill-0131", {"seconds": 2})]
    assert venue.recorder.revisions() == revisions


def test_an_exported_snapshot_carries_the_hash_of_its_own_body(venue: Running, tmp_path: Path) -> None:
    taken = venue.commands.json("snapshot", "take", "--note", "Übergabe – handed over")
    assert taken["id"] in venue.commands.run("snapshot", "show", code=0).out
    assert taken["sha256"] in venue.commands.run("snapshot", "show", taken["id"], code=0).out
    assert venue.commands.json("snapshot", "show", taken["id"]) == taken

    file = tmp_path / "handover.json"
    told = venue.commands.json("snapshot", "export", taken["id"], "--out", str(file))
    exported = json.loads(file.read_text(encoding="utf-8"))
    body = exported["body"]

    def sha256(value: object) -> str:
        return hashlib.sha256(rfc8785.dumps(value)).hexdigest()  # type: ignore[arg-type]

    hashes = {
        "format": "fleet-snapshot/2",
        "head": sha256(["head", {name: body[name] for name in body if name not in ("devices", "not_read")}]),
        "devices": [sha256(["device", one]) for one in body["devices"]],
        "not_read": [sha256(["not read", one]) for one in body["not_read"]],
    }
    assert sha256(hashes) == exported["sha256"] == told["sha256"] == taken["sha256"]
    signature = exported["signature"]
    key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(signature["public_key"]))
    key.verify(bytes.fromhex(signature["signature"]), f"fleet-snapshot/2 {exported['sha256']}".encode())
    assert {one["state"]["id"] for one in exported["body"]["devices"]} <= set(venue.recorder.told("state"))
    assert exported["body"]["note"] == "Übergabe – handed over"


def test_an_export_never_writes_over_a_file(venue: Running, tmp_path: Path) -> None:
    taken = venue.commands.json("snapshot", "take")
    file = tmp_path / "there.json"
    file.write_text("mine", encoding="utf-8")
    assert str(file) in venue.commands.run("snapshot", "export", taken["id"], "--out", str(file), code=2).err
    assert file.read_text(encoding="utf-8") == "mine"


def test_two_snapshots_compare_by_meaning(venue: Running) -> None:
    first = venue.commands.json("snapshot", "take")
    again = venue.commands.json("snapshot", "take")
    assert venue.commands.json("snapshot", "compare", first["id"], again["id"], code=0)["same"] is True

    venue.simulators("panel", "fenn-0601", "level", "-13")
    eventually("the panel's level is told", lambda: level_db(venue.recorder, "fenn-0601") == -13)
    moved = venue.commands.json("snapshot", "take")
    compared = venue.commands.json("snapshot", "compare", first["id"], moved["id"], code=1)
    assert [(d["device"], d["setting"]) for d in compared["differences"]] == [("fenn-0601", "level_db")]
    assert "3 dB quieter" in venue.commands.run("snapshot", "compare", first["id"], moved["id"], code=1).out


@pytest.mark.parametrize("device", ["rill-0501", "rill-0502"])
def test_neither_of_two_devices_with_one_serial_is_accepted(venue: Running, device: str) -> None:
    ran = venue.commands.run("accept", device, code=2)
    assert "RL5-000501" in ran.err
    assert venue.commands.json("devices", device)["status"] == "conflicting"


def test_a_command_that_lacks_its_argument_says_how_it_is_used(venue: Running) -> None:
    assert "Usage" in venue.commands.run("store", code=2).err
    assert "Name a room, or give --every-room." in venue.commands.run("apply", code=2).err


def test_without_a_daemon_every_command_ends_with_2_and_says_how_to_start_one(tmp_path: Path) -> None:
    commands = Commands(tmp_path / "nobody")
    for words in (("devices",), ("diff", "--json"), ("apply", "foyer", "--yes"), ("snapshot", "take", "--json")):
        ran = commands.run(*words, code=2)
        assert "fleet daemon --venue" in ran.err
        assert ran.out == ""
