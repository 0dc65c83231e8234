"""One daemon killed at one point of one change, and what is found once another daemon has settled it."""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx

from tests.faults.judging import halves, held_open, not_begun, pictures, state_at, untold
from tests.faults.loft import BOXES, PATIENCE_S, ROOM, Daemon, Loft, Point, Start, eventually

Json = dict[str, Any]

ALLOWED = ["half-room", "rise"]


@dataclass(frozen=True)
class Begin:
    """From where a change begins in one room, and what is asked for."""

    start: Start
    ask: Json


@dataclass(frozen=True)
class Case:
    """A change to be killed. `new` tells how every box is once it is through."""

    name: str
    begins: Mapping[Loft, Begin]
    trial_s: float | None = None
    lying: str = ""
    """A box that says yes to every commit and does nothing, so that the change has to go back."""
    killed_before: Point | None = None
    """Where an earlier daemon is killed in this change: the one to be killed then recovers it."""
    new: Mapping[str, Json] = field(default_factory=dict)


@dataclass(frozen=True)
class Found:
    """What became of one point."""

    point: Point
    state: str
    outcome: str
    settled_s: float
    complaints: tuple[str, ...]
    """What speaks against nothing being lost."""


def dry_run(loft: Loft, case: Case) -> tuple[list[Point], Json, dict[str, Json]]:
    """Nobody kills it: the points from the change's begin on, the change at its end, and every box before it.

    Where an earlier daemon is killed the points are those of the one that recovers.
    """
    home, old = _begin(loft, case)
    with loft.daemon(home) as daemon:
        if case.killed_before is None:
            daemon.until_ready()
            change = drive(daemon, case.begins[loft].ask, case.trial_s)
        else:
            (change,) = (one["id"] for one in _settled(loft, daemon))
        ended, points = daemon.get(f"/changes/{change}"), daemon.points()
    begun = Point("before-begin_change", 1)
    return points[points.index(begun) :] if begun in points else points, ended, old


def kill_at(loft: Loft, case: Case, point: Point, *, further: bool) -> Found:
    """Kill a daemon there, let another one settle the change, and judge what is found by raw MQTT."""
    home, old = _begin(loft, case)
    mark = len(loft.wire.sent)
    acknowledged = _die(loft, case, home, point, recovering=case.killed_before is not None)
    died_at = time.time()
    with loft.daemon(home) as daemon:
        restarted_s = time.monotonic()
        _settled(loft, daemon)
        settled_s = time.monotonic() - restarted_s
        complaints: list[str] = []
        begun = _begun(daemon, case.begins[loft].ask)
        if begun is None:
            state, outcome = "planned", "nothing begun"
            complaints += not_begun(loft, old, acknowledged)
        else:
            state, outcome = state_at(begun, died_at), begun["state"]
            complaints += halves(loft, old, case.new, begun)
            complaints += untold(begun, loft.wire.writes_since(mark))
        if begun and acknowledged not in {"", begun["id"]}:
            complaints.append(f"{acknowledged} was acknowledged, and {begun['id']} is in the journal")
        if further:
            complaints += _further(loft, case, daemon)
    return Found(point, state, outcome, settled_s, tuple(complaints))


def drive(daemon: Daemon, ask: Json, trial_s: float | None = None) -> str:
    """Ask for a change as a person would, and keep it once it is on trial; its id."""
    change = _start(daemon, ask, trial_s)
    _wait_for_end(daemon, change)
    return change


def _start(daemon: Daemon, ask: Json, trial_s: float | None) -> str:
    plan = daemon.post("/plans", ask)
    body = {**ask, "digest": plan["digest"], "who": "test", "allow": ALLOWED}
    return str(daemon.post("/changes", body | ({"keep_within_s": trial_s} if trial_s else {}))["id"])


def _begin(loft: Loft, case: Case) -> tuple[Path, dict[str, Json]]:
    """The daemon's folder as the case begins, and every box, the earlier daemon killed already where there is one."""
    for box in BOXES:
        loft.fault(box, "none")
    home = loft.return_to(case.begins[loft].start)
    old = pictures(loft)
    if case.lying:
        loft.fault(case.lying, "accepts_and_does_not")
    if case.killed_before is not None:
        _die(loft, case, home, case.killed_before, recovering=False)
    return home, old


def _die(loft: Loft, case: Case, home: Path, point: Point, *, recovering: bool) -> str:
    """Run a daemon until it is killed at the point; the change that it said it had begun, if any."""
    change = ""
    with loft.daemon(home, kill_at=point) as daemon:
        try:
            if not recovering:
                daemon.until_ready()
                change = _start(daemon, case.begins[loft].ask, case.trial_s)
                _wait_for_end(daemon, change)
        except httpx.TransportError:
            pass  # it is dead, which is looked at next
        assert daemon.killed_within(PATIENCE_S), f"the daemon never came to {point}"
        assert daemon.points()[-1] == point, f"killed at {daemon.points()[-1]}, not at {point}"
    return change


def _wait_for_end(daemon: Daemon, change: str) -> None:
    one = daemon.get(f"/changes/{change}", wait_s=30, or_trial=True)
    if one["state"] == "on trial":
        daemon.keep(change)
        one = daemon.get(f"/changes/{change}", wait_s=30)
    assert one["ended"], f"{change} is still {one['state']}"


def _settled(loft: Loft, daemon: Daemon) -> list[Json]:
    """All changes, once each has ended and no box holds one open; what is on trial is kept as soon as that is taken."""
    changes: list[Json] = []

    def settled() -> bool:
        changes[:] = daemon.get("/changes")["changes"]
        for one in changes:
            if one["state"] == "on trial":
                daemon.keep(one["id"])
        return all(one["ended"] for one in changes) and not any(held_open(loft))

    daemon.until_ready()
    try:
        eventually("no change is unfinished and no box holds one open", settled)
    except AssertionError as error:
        states = [f"{one['id']} is {one['state']}" for one in changes]
        raise AssertionError("; ".join([str(error), *states, *held_open(loft)])) from None
    return changes


def _begun(daemon: Daemon, ask: Json) -> Json | None:
    """The change that was asked for, if the journal has it; those that were there before have another kind."""
    rows = [one for one in daemon.get("/changes")["changes"] if one["kind"] == ask["kind"]]
    assert len(rows) <= 1, rows
    return daemon.get(f"/changes/{rows[0]['id']}") if rows else None


def _further(loft: Loft, case: Case, daemon: Daemon) -> Iterator[str]:
    """What speaks against a next change going through."""
    if case.lying:
        loft.fault(case.lying, "none")
    kind = "store" if case.begins[loft].ask["kind"] == "store" else "apply"
    ask = {"kind": kind, "room": ROOM}
    ended = daemon.get(f"/changes/{drive(daemon, ask)}")
    if ended["state"] != "kept":
        yield f"a further {kind} is {ended['state']}: {ended['culprits']}"
    if not daemon.post("/plans", ask)["empty"]:
        yield f"a further {kind} leaves something to do"
