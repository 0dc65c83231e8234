"""The house curve on simulated devices: stored, overwritten by a hand, recalled, a power cut, an earlier moment.

Judged by what the devices tell on the broker.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import cycle
from typing import Any

import pytest
from running import Running, eventually, running

from fleet.errors import Moved, Refused
from fleet.faces.cli.client import Daemon, find

Json = dict[str, Any]

HALL = """\
format: 1
room: hall
curves: {warm: [{shape: bell, frequency_hz: 250, gain_db: -3, q: 1}]}
house_curve: {curve: warm, slot: 4}
defaults: {mute: false}
groups:
  mains: {together: true, level_db: -6}
positions:
  left:  {device: main-1, groups: [mains]}
  right: {device: main-2, groups: [mains]}
  sub:   {device: sub-1, level_db: -4, eq: []}
  fill:  {device: fill-1, level_db: -14}
"""
BAR = """\
format: 1
room: bar
curves: {plain: []}
house_curve: {curve: plain, slot: 4}
positions:
  line: {device: amp-1, level_db: -12}
"""
DEVICES = {
    "main-1": "Fennbeck 12",
    "main-2": "Fennbeck 12",
    "sub-1": "Undermere 18",
    "fill-1": "Rillet 5",
    "amp-1": "Weirhouse 4",
}
LIFT = ("--allow", "rise", "--allow", "half-room", "--allow", "unmanaged", "--yes")


@pytest.fixture(scope="module")
def hall(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """A hall that is as desired and stored, and a bar whose amplifier may be stored every 2 s only."""
    folder = tmp_path_factory.mktemp("hall")
    venue = folder / "venue"
    (venue / "rooms").mkdir(parents=True)
    files = {"venue.yaml": "format: 1\nname: The Test Hall\ntime_zone: Europe/London\n"}
    files |= {"rooms/hall.yaml": HALL, "rooms/bar.yaml": BAR}
    devices = [
        f"  - {{id: {name}, model: {model}, serial: SN-{name}, firmware: 1.0.0, mac: '02:00:5e:06:00:0{number}'}}\n"
        for number, (name, model) in enumerate(DEVICES.items(), 1)
    ]
    for file, text in {**files, "devices.yaml": f"format: 1\ndevices:\n{''.join(devices)}"}.items():
        (venue / file).write_text(text, encoding="utf-8")
    with running(folder, devices=venue, venue=venue) as started:
        started.commands.run("store", "hall", "--yes", code=0)
        started.commands.run("recall", "hall", *LIFT, code=0)
        yield started


def api(hall: Running) -> Daemon:
    return find(hall.commands.home)


def level_db(hall: Running, device: str) -> float:
    return float(hall.recorder.state(device)["outputs"][0]["level_db"])


def slot(hall: Running, device: str, number: int = 4) -> Json:
    slots: list[Json] = hall.recorder.told("slots")[device]["slots"]
    return next(one for one in slots if one["slot"] == number)


def sound(state: Json) -> Json:
    """What is heard of a device besides its level, which is ramped: the slot, the input, and each output."""
    outputs = [
        {k: v for k, v in one.items() if k not in ("level_db", "mute_causes", "mute")} for one in state["outputs"]
    ]
    return {"slot": state["active_slot"], "input": state["input"], "outputs": outputs}


def mixtures(hall: Running, mark: int, before: Mapping[str, Json]) -> list[str]:
    """Devices that sounded since a mark as they did neither before nor at the end."""
    after = hall.recorder.told("state")
    told = [one for one in hall.recorder.heard[mark:] if one.kind == "state"]
    return [
        one.device
        for one in told
        if not all(output["mute_causes"] for output in one.message["outputs"])
        and sound(one.message) not in (sound(before[one.device]), sound(after[one.device]))
    ]


def test_a_store_is_verified_where_the_device_tells_and_said_where_it_does_not(hall: Running) -> None:
    change = hall.commands.json("history", "hall")["stored"]
    plan = api(hall).get(f"/changes/{change['id']}")["plan"]
    assert plan["afterwards"] == [
        "slot 4 of sub-1 could not be verified: it does not tell what it holds",
        "after a power cut fill (fill-1) comes back in slot 1, which cannot be changed, not in its house-curve slot 4; "
        "`fleet recall hall` brings it back",
    ]
    assert [slot(hall, d)["outputs"][0]["level_db"] for d in ("main-1", "sub-1", "fill-1")] == [-6, -4, -14]
    assert hall.recorder.state("sub-1")["power_up_slot"] == 4
    assert hall.commands.json("diff", "hall")["same"], "what the store set is no difference"


def test_a_slot_overwritten_by_a_hand_is_recalled_over_and_offered_and_stored_again(hall: Running) -> None:
    hall.simulators("panel", "fill-1", "eq", "none")
    hall.simulators("panel", "fill-1", "level", "-30")
    hall.simulators("panel", "fill-1", "store", "4")
    hall.simulators("panel", "main-1", "recall", "1")
    hall.simulators("panel", "sub-1", "recall", "2")
    eventually("the last hand is heard", lambda: hall.recorder.state("sub-1")["active_slot"] == 2)
    mark, before = hall.recorder.mark(), hall.recorder.told("state")
    ran = hall.commands.run("recall", "hall", *LIFT, code=0)
    assert "`fleet store hall --position fill` stores it again" in " ".join(ran.out.split())
    assert [level_db(hall, d) for d in ("main-1", "main-2", "sub-1", "fill-1")] == [-6, -6, -4, -14]
    assert mixtures(hall, mark, before) == []
    assert slot(hall, "fill-1")["outputs"][0]["level_db"] == -30
    again = hall.commands.json("recall", "hall", "--store-again", "--yes")
    assert (again["empty"], again["stored_again"]["state"]) == (True, "kept")
    assert [d["device"] for d in again["stored_again"]["plan"]["devices"]] == ["fill-1"]
    assert slot(hall, "fill-1")["outputs"][0]["level_db"] == -14
    assert hall.commands.json("diff", "hall")["same"]


def test_a_power_cut_comes_back_right_but_for_the_box_that_was_named(hall: Running) -> None:
    boots = {d: hall.recorder.state(d)["boot_count"] for d in ("main-1", "sub-1", "fill-1")}
    hall.simulators("power-cut", *boots, "--off-s", "0.2")
    eventually("all are back", lambda: all(hall.recorder.state(d)["boot_count"] > n for d, n in boots.items()))
    eventually("the daemon sees them", lambda: not _not_checked(hall))
    differing = {d["position"] for d in hall.commands.json("diff", "hall", code=1)["differences"]}
    assert differing == {"fill"}
    assert [hall.recorder.state(d)["active_slot"] for d in boots] == [4, 4, 1]
    mark, before = hall.recorder.mark(), hall.recorder.told("state")
    hall.commands.run("recall", "hall", *LIFT, code=0)
    assert mixtures(hall, mark, before) == []
    assert hall.commands.json("diff", "hall")["same"]


def _not_checked(hall: Running) -> list[Json]:
    found: list[Json] = api(hall).get("/diff", room="hall")["not_checked"]
    return found


def test_a_room_comes_back_to_what_a_snapshot_found_and_back_to_its_house_curve(hall: Running) -> None:
    hall.simulators("panel", "main-1", "level", "-12")
    hall.simulators("panel", "main-1", "delay", "5")
    eventually("the hand is heard", lambda: hall.recorder.state("main-1")["outputs"][0]["delay_ms"] > 4)
    snapshot = api(hall).post("/snapshots", {"who": "ines", "note": "as the band liked it"})["id"]
    hall.commands.run("recall", "hall", *LIFT, code=0)
    assert (level_db(hall, "main-1"), hall.recorder.state("main-1")["outputs"][0]["delay_ms"]) == (-6, 0)
    mark, before = hall.recorder.mark(), hall.recorder.told("state")
    ran = hall.commands.run("recall", "hall", "--as-of", snapshot, *LIFT, code=0)
    assert f"hall, as of snapshot {snapshot}" in ran.out
    state = hall.recorder.state("main-1")
    assert (level_db(hall, "main-1"), state["outputs"][0]["delay_ms"]) == (-12, pytest.approx(5, abs=0.02))
    assert mixtures(hall, mark, before) == []
    hall.commands.run("recall", "hall", *LIFT, code=0)
    assert hall.commands.json("diff", "hall")["same"]


def test_a_store_sooner_than_the_model_allows_is_refused_and_nothing_is_sent(hall: Running) -> None:
    daemon = api(hall)
    files = daemon.get("/files")["files"]
    levels = cycle((-20, -21))
    asked = {"kind": "store", "room": "bar"}

    def plan() -> Json:
        text = BAR.replace("level_db: -12", f"level_db: {next(levels)}")
        daemon.post("/versions", {"files": {**files, "rooms/bar.yaml": text}, "who": "ines", "allow": ["older"]})
        return daemon.post("/plans", asked)

    def stored() -> bool:
        fresh = plan()
        if fresh["guards"]:
            return False
        change = daemon.post("/changes", {**asked, "digest": fresh["digest"], "who": "ines"})["id"]
        return bool(daemon.get(f"/changes/{change}", wait_s=10)["state"] == "kept")

    def refused() -> tuple[Refused, int] | None:
        eventually("the amplifier is stored", stored)
        fresh, mark = plan(), hall.recorder.mark()
        try:
            if fresh["guards"]:
                daemon.post("/changes", {**asked, "digest": fresh["digest"], "who": "ines"})
        except Moved:
            return None  # it was allowed by then
        except Refused as error:
            return error, mark
        return None

    error, mark = eventually("a store is asked for within two seconds of another", refused)
    assert error.guards == ("store-too-soon",)
    assert "the slots of amp-1 were written at" in str(error)
    assert [one for one in hall.recorder.writes_since(mark) if one.device == "amp-1"] == []
    eventually("it is allowed again", stored)
