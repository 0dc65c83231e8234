"""A daemon killed by SIGKILL at any point of a change loses nothing: the scope ends wholly new or wholly old.

Which points there are is learnt from a dry run of each change: before and after every write to the store and every
request to a device. An apply is killed at the first, the last and one more point of each name, the other changes at a
few by chance. The seed is printed; FLEET_FAULT_SEED=N takes the same points again, FLEET_NIGHTLY=1 takes all of them.
How long a restarted daemon took to settle it is printed and not judged.
"""

from __future__ import annotations

import os
import random
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from queue import SimpleQueue
from typing import TypeAlias

import pytest

from tests.faults.judging import pictures
from tests.faults.killing import Begin, Case, Found, Json, drive, dry_run, kill_at
from tests.faults.loft import BOXES, ROOM, Loft, Point, loft
from tests.faults.results import OUTCOMES, record

Show: TypeAlias = Callable[[str], None]

KILLED = "daemon killed (kill -9)"
KILLED_TWICE = "daemon killed again while it recovers"
SIDE_BY_SIDE = 3
SAMPLE = 6
FURTHER_EVERY = 10
"""One point in so many is followed by one more change, which has to go through."""
ENOUGH_FAILURES = 6
"""After so many points that were never settled the rest is not tried: each takes all of its time."""
NIGHTLY = os.environ.get("FLEET_NIGHTLY") == "1"
SEED = int(os.environ.get("FLEET_FAULT_SEED") or random.SystemRandom().randrange(10**6))
APPLY: Json = {"kind": "apply", "room": ROOM}
TRIAL_S = 60.0
PASSED = (
    "begin_change", "journal", "save_change",
    "send-stage", "send-commit", "send-set", "send-get", "send-keep",
)  # fmt: skip


@dataclass
class Lofts:
    """Equal rooms side by side, and where changes begin in each."""

    rooms: Sequence[Loft]
    apply: dict[Loft, Begin] = field(default_factory=dict)
    """The boxes are as they were found; the desired state is in force."""
    rollback: dict[Loft, Begin] = field(default_factory=dict)
    """That apply was kept."""
    store: dict[Loft, Begin] = field(default_factory=dict)
    """As for the rollback: the column stores only what is live."""
    new: dict[str, Json] = field(default_factory=dict)
    """How every box is after the apply."""

    def prepare(self, room: Loft) -> None:
        """Bring a room to each of those moments, and save it there."""
        home = room.first_home()
        self.apply[room] = Begin(room.save("found", home), APPLY)
        with room.daemon(home) as daemon:
            daemon.until_ready()
            change = drive(daemon, APPLY)
            assert daemon.get(f"/changes/{change}")["state"] == "kept", daemon.told()
        applied = room.save("applied", home)
        self.rollback[room] = Begin(applied, {"kind": "rollback", "change": change})
        self.store[room] = Begin(applied, {"kind": "store", "room": ROOM})
        self.new = pictures(room)


@pytest.fixture(scope="module")
def lofts(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lofts]:
    with ExitStack() as stack:
        prepared = Lofts([stack.enter_context(loft(tmp_path_factory.mktemp("loft"))) for _ in range(SIDE_BY_SIDE)])
        with ThreadPoolExecutor(SIDE_BY_SIDE) as threads:
            list(threads.map(prepared.prepare, prepared.rooms))
        yield prepared


@pytest.fixture
def show(capsys: pytest.CaptureFixture[str]) -> Show:
    """Print past pytest's capture: the table is for whoever reads the run."""

    def shown(text: str) -> None:
        with capsys.disabled():
            print(text)

    return shown


def test_an_apply_killed_at_any_point_is_wholly_done_or_wholly_undone(lofts: Lofts, show: Show) -> None:
    case, points = learnt(lofts, Case("apply", lofts.apply), ends="kept")
    assert {point.name for point in points} >= {f"{side}-{name}" for side in ("before", "after") for name in PASSED}
    judge(lofts, case, of_every_kind(points), show)


def test_a_rollback_killed_at_any_point_is_wholly_done_or_wholly_undone(lofts: Lofts, show: Show) -> None:
    case, points = learnt(lofts, Case("rollback", lofts.rollback), ends="kept")
    judge(lofts, case, sampled(points), show)


def test_a_store_killed_at_any_point_is_wholly_done_or_wholly_undone(lofts: Lofts, show: Show) -> None:
    case, points = learnt(lofts, Case("store", lofts.store), ends="kept")
    judge(lofts, case, sampled(points), show)


def test_a_trial_killed_at_any_point_goes_on_or_goes_back(lofts: Lofts, show: Show) -> None:
    case, points = learnt(lofts, Case("trial", lofts.apply, trial_s=TRIAL_S), ends="kept")
    judge(lofts, case, sampled(points), show)


def test_a_change_that_goes_back_killed_at_any_point_still_goes_back(lofts: Lofts, show: Show) -> None:
    case, points = learnt(lofts, Case("going back", lofts.apply, lying="loft-right"), ends="rolled back")
    judge(lofts, case, sampled(points), show)


@pytest.mark.parametrize("first", [Point("after-send-set", 2), Point("after-send-keep", 1)], ids=str)
def test_a_daemon_killed_again_while_it_recovers_loses_nothing(lofts: Lofts, show: Show, first: Point) -> None:
    case, points = learnt(lofts, Case(f"recovery from {first}", lofts.apply, killed_before=first))
    judge(lofts, case, sampled(points), show)


def learnt(lofts: Lofts, case: Case, *, ends: str = "") -> tuple[Case, list[Point]]:
    """The case with the new settings of its boxes, and the points to kill it at, from a run in which nobody does."""
    room = lofts.rooms[0]
    points, change, old = dry_run(room, case)
    assert not ends or change["state"] == ends, change
    new = pictures(room) if ends == "kept" else lofts.new
    assert all(old[box] != new[box] for box in BOXES), "a box that is not to change proves nothing"
    return replace(case, new=new), points


def sampled(points: Sequence[Point]) -> list[Point]:
    """Some of the points, every one at night."""
    return list(points) if NIGHTLY else random.Random(SEED).sample(points, min(SAMPLE, len(points)))


def of_every_kind(points: Sequence[Point]) -> list[Point]:
    """Of each name the first, the last and one between, every one at night."""
    if NIGHTLY:
        return list(points)
    chance, chosen = random.Random(SEED), set[Point]()
    for name in {point.name: None for point in points}:
        of_name = [point for point in points if point.name == name]
        chosen |= {of_name[0], chance.choice(of_name), of_name[-1]}
    return [point for point in points if point in chosen]


def judge(lofts: Lofts, case: Case, points: Sequence[Point], show: Show) -> None:
    """Kill the case at each of these points, in all rooms side by side; print the table, and fail for what is amiss."""
    free: SimpleQueue[Loft] = SimpleQueue()
    for room in lofts.rooms:
        free.put(room)

    failed: list[Point] = []

    def kill(number: int, point: Point) -> Found | None:
        if len(failed) >= ENOUGH_FAILURES:
            return None
        room = free.get()
        try:
            return kill_at(room, case, point, further=number % FURTHER_EVERY == 0)
        except AssertionError as error:  # told with all others, and the rest of the points is tried
            failed.append(point)
            return Found(point, "not known", "not known", 0.0, (str(error),))
        finally:
            free.put(room)

    with ThreadPoolExecutor(SIDE_BY_SIDE) as threads:
        found = [one for one in threads.map(kill, range(len(points)), points) if one is not None]
    for one in found:
        if not one.complaints:
            record(KILLED_TWICE if case.killed_before else KILLED, one.state, one.outcome, round(one.settled_s, 3))
    show(table(case, found))
    complaints = [f"{one.point} ({one.state}): {words}" for one in found for words in one.complaints]
    assert not complaints, f"{case.name}:\n" + "\n".join(complaints)


def table(case: Case, found: Sequence[Found]) -> str:
    """Points by name, how many there were, and how many ended how."""
    rows = [("point", "count", *OUTCOMES)]
    for name in sorted({one.point.name for one in found}):
        outcomes = Counter(one.outcome for one in found if one.point.name == name)
        rows.append((name, str(outcomes.total()), *(str(outcomes[outcome] or "-") for outcome in OUTCOMES)))
    total = Counter(one.outcome for one in found)
    rows.append(("all", str(len(found)), *(str(total[outcome] or "-") for outcome in OUTCOMES)))
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    lines = ["  ".join(f"{cell:<{width}}" for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]
    worst_s = max(one.settled_s for one in found)
    which = "all points" if NIGHTLY else f"a sample, FLEET_FAULT_SEED={SEED}"
    return "\n".join(["", f"{case.name}: {which}; settled {worst_s:.1f} s after a restart at the worst", *lines])
