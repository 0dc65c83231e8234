"""A restart on real simulated devices: one of each circuit at a time, and the house curve back once all are up."""

from __future__ import annotations

import shutil
from pathlib import Path

from running import DEMO_VENUE, running

FILLS = tuple(f"rill-012{n}" for n in range(1, 5))


def test_front_fills_restart_by_circuit_and_come_back_right(tmp_path: Path) -> None:
    venue = tmp_path / "venue"
    shutil.copytree(DEMO_VENUE, venue)
    hall = venue / "rooms" / "quay-hall.yaml"
    text = hall.read_text(encoding="utf-8")
    for device, circuit in zip(FILLS, ("LP-1", "LP-1", "LP-2", "LP-2"), strict=True):
        text = text.replace(f"device: {device},", f"device: {device}, circuit: {circuit},")
    hall.write_text(text, encoding="utf-8")
    with running(tmp_path, DEMO_VENUE, venue) as run:
        fleet = run.commands
        narrowed = ("quay-hall", "--group", "front-fills")
        fleet.run("apply", *narrowed, "--yes", code=0)
        fleet.run("store", *narrowed, "--yes", code=0)
        planned = fleet.json("restart", *narrowed, "--plan", code=1)
        assert planned["waves"] == [[FILLS[0], FILLS[2]], [FILLS[1], FILLS[3]]]
        done = fleet.json("restart", *narrowed, "--yes", "--allow", "rise")
        assert done["state"] == "done"
        assert sorted(done["back"]) == sorted(FILLS)
        assert done["not_back"] == []
        told = fleet.json("changes", done["change"])
        assert told["plan"]["kind"] == "recall"
        assert {one["device"] for one in told["plan"]["devices"]} == set(FILLS), "all came back in the factory's slot"
        assert fleet.json("diff", *narrowed)["differences"] == []
        fleet.run("hold", "quay-hall", "--until", "1h", code=0)
        refused = fleet.run("restart", *narrowed, "--yes", code=2)
        assert "on hold" in refused.err
