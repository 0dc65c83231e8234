"""A database that cannot be written (full, read-only) at each write of a change, and again while it recovers.

That a full disk and a read-only file system end in `StoreTrouble` is shown on real ones in tests/store.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from fleet.drivers.memory import MemoryDriver
from fleet.errors import Refused, StoreTrouble
from fleet.model.change import ChangeRecord, ChangeState
from fleet.services.changes import Changes
from fleet.services.together import Services
from fleet.store.protocol import Store
from tests.faults.results import record
from tests.services.small_venue import NOON, StagingDriver, apply, boxes, opened, sound, store_at

S = ChangeState
WRITES = frozenset({"journal", "save_change"})


@pytest.fixture
async def store(tmp_path: Path) -> AsyncIterator[Store]:
    async with store_at(tmp_path) as store:
        yield store


class Failing:
    """The store, whose writes of these numbers fail. `states` tells what was stored of the change at each write."""

    def __init__(self, store: Store, failing: frozenset[int]) -> None:
        self._store = store
        self.failing = failing
        self.written = 0
        self.states: list[ChangeState] = []

    def __getattr__(self, name: str) -> Any:
        call = getattr(self._store, name)
        if name not in WRITES:
            return call

        async def write(*arguments: Any) -> Any:
            self.written += 1
            stored = (await self._store.changes(1))[0]
            self.states.append(stored.state)
            if self.written in self.failing:
                raise StoreTrouble("the disk is full")
            return await call(*arguments)

        return write


def changes_over(services: Services, store: Any, name: str) -> Changes:
    return Changes(
        store=store,
        driver=services.driver,
        inventory=services.inventory,
        desired=services.desired,
        lookout=services.lookout,
        clock=lambda: NOON,
        new_id=lambda: name,
    )


async def carried_out(changes: Changes, *, trial: bool) -> ChangeRecord:
    """A change from its beginning to its end; a person keeps it for as long as that is refused."""
    asked = apply(group="mains")
    plan = await changes.plan(asked)
    change = (
        await changes.start(
            asked,
            digest=plan.digest,
            who="ines",
            why="",
            allow=["rise", "half-room"],
            keep_within_s=60.0 if trial else None,
        )
    ).id
    kept = False
    async with asyncio.timeout(20):
        while not (found := await changes.wait(change, 0.2, or_trial=True)).state.ended:
            if found.state is S.ON_TRIAL:
                assert not kept, "a keep that was answered is forgotten"
                try:
                    await changes.keep(change)
                    kept = True
                except Refused:
                    await asyncio.sleep(0.01)
    assert not kept or found.state is S.KEPT, "a keep that was answered is taken back"
    return found


@pytest.mark.parametrize("trial", [False, True], ids=["kept at once", "on trial"])
@pytest.mark.parametrize("kind", [StagingDriver, MemoryDriver], ids=lambda kind: kind.name)
@pytest.mark.parametrize("later", [0, 1, 3], ids=lambda later: f"and {later} later" if later else "once")
async def test_a_database_that_cannot_be_written_for_a_while_leaves_nothing_half_done(
    store: Store,
    kind: type[MemoryDriver],
    trial: bool,
    later: int,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr("fleet.services.runs.AGAIN_AFTER_S", 0.01)
    ends: Counter[str] = Counter()
    sound_one = Failing(store, frozenset())
    services = await opened(store, driver := kind(boxes()))
    assert (await carried_out(changes_over(services, sound_one, "c-sound"), trial=trial)).state is S.KEPT
    new = {d: sound(driver.devices[d]) for d in driver.devices}
    for first in range(1, sound_one.written + 1):
        services = await opened(store, driver := kind(boxes()))
        old = {d: sound(driver.devices[d]) for d in driver.devices}
        failing = Failing(store, frozenset({first, first + later}))
        changes = changes_over(services, failing, f"c-{kind.name}-{first}")
        found = await carried_out(changes, trial=trial)
        assert failing.written >= first, "it never failed"
        sounds = {d: sound(driver.devices[d]) for d in driver.devices}
        assert found.state in {S.KEPT, S.ROLLED_BACK, S.CANCELLED}, (first, found.culprits)
        assert sounds == (new if found.state is S.KEPT else old), (first, found.state)
        assert getattr(driver, "open", {}) == {}, "a change is left open"
        stored = await store.change(found.id)
        assert stored is not None
        assert stored.state is found.state
        assert await store.unfinished() == ()
        ends[found.state.value] += 1
        record("database cannot be written for a while", failing.states[first - 1].value, found.state.value)
    with capsys.disabled():
        print(f"\n{sum(ends.values())} writes failed, and the {later}th after, {kind.name}: {dict(ends)}")
