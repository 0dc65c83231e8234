"""Who leads a walk: one screen at a time, by name; and what a screen is told of the time that is left."""

from __future__ import annotations

from collections.abc import AsyncIterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from fleet.drivers.protocol import LinkUp
from fleet.errors import Refused
from fleet.model.walk import Answers, Lead, WalkState
from fleet.services.together import Services, wire
from fleet.services.walk_beginning import AskedWalk
from tests.services.small_venue import FILES, NOON, Ids, StagingDriver, all_sound, boxes, hear_all, store_at

RIGHT = Answers(place="yes", source="yes", sound="yes", polarity="yes")


class Clock:
    """A clock that is set by hand."""

    now = NOON

    def __call__(self) -> datetime:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def driver() -> StagingDriver:
    return StagingDriver(boxes())


@pytest.fixture
async def services(tmp_path: Path, driver: StagingDriver, clock: Clock) -> AsyncIterator[Services]:
    async with store_at(tmp_path) as store:
        services = wire(store=store, driver=driver, clock=clock, new_id=Ids())
        await services.inventory.open()
        await services.desired.load(FILES, "ines")
        await hear_all(services, driver)
        services.inventory.hear(LinkUp())
        yield services
        await services.close()


async def test_one_screen_leads_and_another_one_takes_over(services: Services, driver: StagingDriver) -> None:
    before = all_sound(driver)
    walking = services.walking
    walk = await walking.begin(AskedWalk(room="foyer", screen="a"), "ines")
    await walking.step(walk.id, "next", "ines", screen="a")
    for screen in ("b", ""):
        with pytest.raises(Refused, match=r"is led by ines from another screen.*Take it over"):
            await walking.step(walk.id, "skip", "otto", screen=screen)
        with pytest.raises(Refused, match="is led by ines"):
            await walking.answer(walk.id, "desk", RIGHT, "otto", screen=screen)
    again = await walking.begin(AskedWalk(room="foyer", go_on=True, screen="b"), "otto")
    assert (walking.lead(again), again.who) == (Lead(who="otto", screen="b"), "ines")
    with pytest.raises(Refused, match="is led by otto"):
        await walking.step(walk.id, "next", "ines", screen="a")
    assert (await walking.step(walk.id, "next", "otto", screen="b")).at == "desk"
    ended = await walking.end(walk.id, "ines")
    assert (ended.state, all_sound(driver)) == (WalkState.STOPPED, before), "anybody may end it"


async def test_a_step_that_was_asked_for_twice_is_made_once(services: Services) -> None:
    walking = services.walking
    walk = await walking.begin(AskedWalk(room="weir-hall"), "ines")
    walk = await walking.step(walk.id, "next", "ines", seen=0)
    assert (walk.at, walk.steps) == ("fill", 1)
    walk = await walking.step(walk.id, "skip", "ines", seen=1)
    with pytest.raises(Refused, match="has gone on meanwhile"):
        await walking.step(walk.id, "skip", "ines", seen=1)
    assert (await walking.walk(walk.id)).at == "main-left"


async def test_the_time_that_is_left_is_told_and_whether_all_is_back(services: Services, clock: Clock) -> None:
    walking = services.walking
    walk = await walking.begin(AskedWalk(room="foyer", step_within_s=120), "ines")
    assert (walking.goes_back_in_s(walk), await walking.all_back(walk)) == (None, True)
    walk = await walking.step(walk.id, "next", "ines")
    clock.now += timedelta(seconds=50)
    assert (walking.goes_back_in_s(walk), await walking.all_back(walk)) == (70, False)
    clock.now += timedelta(seconds=500)
    assert walking.goes_back_in_s(walk) == 0
    walk = await walking.end(walk.id, "ines")
    assert (walking.goes_back_in_s(walk), await walking.all_back(walk)) == (None, True)


async def test_what_needs_a_person_is_not_back(services: Services, driver: StagingDriver) -> None:
    walking = services.walking
    walk = await walking.begin(AskedWalk(room="foyer"), "ines")
    await walking.step(walk.id, "next", "ines")
    driver.devices["box-5"].epoch = 10**6
    with pytest.raises(Refused, match="could not be taken back"):
        await walking.end(walk.id, "ines")
    assert not await walking.all_back(await walking.walk(walk.id))
