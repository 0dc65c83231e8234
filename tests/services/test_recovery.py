"""A daemon killed at any point of a change leaves devices that the next one brings wholly back or finds wholly done."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from fleet.drivers.memory import MemoryDriver
from fleet.model.change import ChangeState
from fleet.model.plan import PlanKind
from fleet.services.changes import Changes
from fleet.services.planning import Asked
from fleet.services.together import Services
from fleet.store.protocol import Store
from fleet.tasks import end
from tests.services.small_venue import DRIVERS, NOON, apply, boxes, end_of, hear_all, opened, sound

COUNTED = {"prepare", "commit", "keep", "revert", "abort", "read"} | {"begin_change", "journal", "save_change"}


class Life:
    """One life of a daemon, which ends at its `death`-th point: then nothing it does reaches disk or device any more.

    A point lies before and after each call to the driver and each writing call to the store.
    """

    def __init__(self, death: int) -> None:
        self._death = death
        self.points = 0
        self.over = asyncio.Event()

    async def point(self) -> None:
        self.points += 1
        if self.points == self._death:
            self.over.set()
        if self.over.is_set():
            await asyncio.Event().wait()

    def of(self, part: Any) -> Any:
        """A store or driver of this life."""
        return Mortal(self, part)


class Mortal:
    """Calls with a point of a life on each side."""

    def __init__(self, life: Life, part: Any) -> None:
        self._life = life
        self._part = part

    def __getattr__(self, name: str) -> Any:
        call = getattr(self._part, name)
        if name not in COUNTED:
            return call

        async def mortal(*arguments: Any, **named: Any) -> Any:
            await self._life.point()
            answer = await call(*arguments, **named)
            await self._life.point()
            return answer

        return mortal


def changes_of(services: Services, life: Life, name: str) -> Changes:
    return Changes(
        store=life.of(services.store),
        driver=life.of(services.driver),
        inventory=services.inventory,
        desired=services.desired,
        lookout=services.lookout,
        clock=lambda: NOON,
        new_id=lambda: name,
    )


async def live(services: Services, asked: Asked, death: int) -> tuple[str, Life]:
    """Carry a change out in a life of its own, until its end or death."""
    life = Life(death)
    name = f"c-{asked.kind}-{death}"
    changes = changes_of(services, life, name)
    plan = await changes.plan(asked)
    life.points = 0

    async def carry_out() -> None:
        await changes.start(asked, digest=plan.digest, who="ines", why="", allow=["rise", "half-room"])
        while not (await changes.wait(name, 10)).state.ended:
            pass

    work = asyncio.create_task(carry_out())
    dead = asyncio.create_task(life.over.wait())
    async with asyncio.timeout(30):
        await asyncio.wait({work, dead}, return_when=asyncio.FIRST_COMPLETED)
    remains = [t for t in asyncio.all_tasks() if t in {work, dead} or t.get_name() == f"change {name}"]
    await end(*remains)
    return name, life


@pytest.mark.parametrize("kind", DRIVERS, ids=lambda kind: kind.name)
@pytest.mark.parametrize("what", ["apply", "store"])
async def test_killed_at_any_point_the_devices_end_wholly_old_or_wholly_new(
    store: Store, kind: type[MemoryDriver], what: PlanKind
) -> None:
    scope = apply(group="mains").scope
    asked = Asked(kind=what, scope=scope)
    _, whole = await live(await opened(store, driver := kind(boxes())), asked, 0)
    new = {d: sound(driver.devices[d]) for d in driver.devices}
    ends: set[ChangeState] = set()
    states: set[ChangeState] = set()
    for death in range(1, whole.points + 1):
        driver = kind(boxes())
        services = await opened(store, driver)
        old = {d: sound(driver.devices[d]) for d in driver.devices}
        name, life = await live(services, asked, death)
        assert life.over.is_set()
        stored = await store.change(name)
        if stored is None:
            assert death <= 2, "a change that is not written down has touched nothing"
            assert {d: sound(driver.devices[d]) for d in driver.devices} == old
            continue
        states.add(stored.state)
        next_life = Life(0)
        changes = changes_of(services, next_life, "c-never")
        await hear_all(services, driver)
        await changes.recover()
        record = await end_of(changes, name)
        ends.add(record.state)
        found = {d: sound(driver.devices[d]) for d in driver.devices}
        named = {o.device for o in record.outcomes if o.word == "needs a person"}
        expected = new if record.state == ChangeState.KEPT else old
        apart = {d for d in found if found[d] != expected[d]}
        assert apart <= named, f"killed at point {death}: {stored.state}"
        assert bool(named) == (record.state == ChangeState.NEEDS_PERSON)
        numbers = [e.number for e in await store.entries(name)]
        assert numbers == list(range(1, len(numbers) + 1))
        assert await store.unfinished() == ()
    # Devices without readable slots cannot tell whether they were stored: those are for a person to look at.
    blind = what == "store" and kind is MemoryDriver
    half_done = ChangeState.NEEDS_PERSON if blind else ChangeState.ROLLED_BACK
    assert ends == {ChangeState.KEPT, half_done, ChangeState.CANCELLED}
    assert states >= {
        ChangeState.PLANNED,
        ChangeState.STAGING,
        ChangeState.COMMITTING,
        ChangeState.VERIFYING,
        ChangeState.KEEPING,
        ChangeState.KEPT,
    }
