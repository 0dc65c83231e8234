"""Walks: one position is heard at a time, nothing is louder than it was, and whatever happens all is as before."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from fleet.drivers.memory import MemoryDriver
from fleet.errors import BadInput, NotFound, Refused
from fleet.model.change import ChangeState
from fleet.model.walk import Answers, Walk, WalkState
from fleet.services import walk_beginning
from fleet.services.together import Services
from fleet.services.walk_beginning import AskedWalk
from fleet.store.protocol import Store
from fleet.tasks import end
from tests.services.small_venue import (
    FLAT,
    HALL,
    NOON,
    StagingDriver,
    all_sound,
    apply,
    box,
    boxes,
    hear_all,
    opened,
    until,
)

RIGHT = Answers(place="yes", source="yes", sound="yes", polarity="yes")
HALL_BOXES = {"fill": "box-3", "main-left": "box-1", "main-right": "box-2"}


def heard_now(driver: MemoryDriver) -> dict[str, float | None]:
    """Devices that are not muted, with their level."""
    live = {name: device.state().live.outputs[1] for name, device in driver.devices.items()}
    return {name: settings.level_db for name, settings in live.items() if not settings.mute}


async def begun(services: Services, room: str = "weir-hall", **other: Any) -> Walk:
    return await services.walking.begin(AskedWalk(room=room, **other), "ines")


async def answered(services: Services, walk: Walk, answers: Answers = RIGHT) -> Walk:
    assert walk.now is not None
    return await services.walking.answer(walk.id, walk.now.position, answers, "ines")


async def walked(services: Services, room: str = "weir-hall", answers: Answers = RIGHT, **other: Any) -> Walk:
    """A whole walk with the same answers everywhere."""
    walk = await services.walking.step((await begun(services, room, **other)).id, "next", "ines")
    while walk.now is not None:
        await answered(services, walk, answers)
        walk = await services.walking.step(walk.id, "next", "ines")
    return walk


async def stopped(services: Services, walk: str) -> Walk:
    async def is_so() -> bool:
        return (await services.walking.walk(walk)).state is WalkState.STOPPED

    await until(is_so)
    return await services.walking.walk(walk)


async def test_each_position_is_heard_alone_and_all_comes_back(services: Services, driver: MemoryDriver) -> None:
    before = all_sound(driver)
    walk = await begun(services)
    assert (walk.positions, walk.now) == (("fill", "main-left", "main-right"), None)
    assert [(n.position, n.life_safety) for n in walk.not_walked] == [("horn", True)]
    assert all_sound(driver) == before, "nothing is touched before the first step"
    for name in walk.positions:
        walk = await services.walking.step(walk.id, "next", "ines")
        assert walk.now is not None
        assert walk.now.position == name
        others = {"box-4": -6.0, "box-5": -6.0, "box-9": -6.0}
        assert heard_now(driver) == {HALL_BOXES[name]: -30.0, **others}, "other rooms and life safety sound on"
        assert set(walk.now.muted) == set(HALL_BOXES) - {name}
        assert [words.partition(":")[0] for words in walk.now.may_sound] == ["horn"]
        await answered(services, walk)
    walk = await services.walking.step(walk.id, "next", "ines")
    assert (walk.state, walk.now, walk.ended) == (WalkState.DONE, None, NOON)
    assert [h.step.position for h in walk.heard] == ["fill", "main-left", "main-right"]
    assert all_sound(driver) == before
    assert await services.store.unfinished() == ()
    kinds = {(c.plan.kind, c.state) for c in await services.changes.records()}
    assert kinds == {("walk", ChangeState.ROLLED_BACK)}


async def test_back_repeat_and_skip(services: Services, driver: MemoryDriver) -> None:
    before = all_sound(driver)
    walk = await begun(services)
    move = services.walking.step
    with pytest.raises(Refused, match="nothing to repeat"):
        await move(walk.id, "repeat", "ines")
    await move(walk.id, "next", "ines")
    with pytest.raises(Refused, match="fill has no answers yet"):
        await move(walk.id, "next", "ines")
    with pytest.raises(Refused, match="no position before"):
        await move(walk.id, "back", "ines")
    walk = await move(walk.id, "skip", "ines")
    assert walk.at == "main-left"
    assert [(n.position, n.words) for n in walk.not_walked if not n.life_safety] == [("fill", "skipped by ines")]
    again = await move(walk.id, "repeat", "ines")
    assert again.now is not None
    assert walk.now is not None
    assert (again.now.position, again.now.change != walk.now.change) == ("main-left", True)
    assert heard_now(driver)["box-1"] == -30.0
    walk = await move(walk.id, "back", "ines")
    assert walk.at == "fill"
    walk = await answered(services, walk, replace(RIGHT, place="no", notes="sounds in the foyer"))
    assert [n.position for n in walk.not_walked] == ["horn"], "it has been walked after all"
    walk = await move(walk.id, "next", "ines")
    await answered(services, walk)
    walk = await move(walk.id, "next", "ines")
    assert walk.at == "main-right"
    walk = await move(walk.id, "skip", "ines")
    assert walk.state is WalkState.DONE
    assert [n.position for n in walk.not_walked] == ["horn", "main-right"]
    assert all_sound(driver) == before


async def test_ending_brings_all_back_and_the_walk_can_be_continued(services: Services, driver: MemoryDriver) -> None:
    before = all_sound(driver)
    walk = await services.walking.step((await begun(services)).id, "next", "ines")
    await answered(services, walk)
    walk = await services.walking.step(walk.id, "next", "ines")
    walk = await services.walking.end(walk.id, "ines")
    assert (walk.state, walk.words) == (WalkState.STOPPED, "ended by ines")
    assert all_sound(driver) == before
    assert await services.walking.end(walk.id, "ines") == walk
    with pytest.raises(Refused, match=r"is stopped: ended by ines.*--continue"):
        await services.walking.step(walk.id, "next", "ines")
    again = await begun(services, go_on=True)
    assert (again.id, again.left) == (walk.id, ("main-left", "main-right"))
    assert (await services.walking.step(walk.id, "next", "otto")).at == "main-left"


async def test_a_walk_that_is_going_on_can_be_taken_over_but_not_begun_twice(
    services: Services, driver: MemoryDriver
) -> None:
    before = all_sound(driver)
    walk = await services.walking.step((await begun(services)).id, "next", "ines")
    with pytest.raises(Refused, match=rf"walk {walk.id} of ines is going on.*--continue"):
        await begun(services)
    again = await services.walking.begin(AskedWalk(room="weir-hall", go_on=True), "otto")
    assert (again.id, again.now) == (walk.id, None)
    assert all_sound(driver) == before
    with pytest.raises(Refused, match="is not under test"):
        await services.walking.answer(walk.id, "fill", RIGHT, "ines")


async def test_nobody_who_goes_on_in_time_stops_the_walk(
    store: Store, driver: MemoryDriver, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(walk_beginning, "SHORTEST_STEP_S", 0.01)
    services = await opened(store, driver)
    before = all_sound(driver)
    idle = await begun(services, "foyer", step_within_s=0.2)
    walk = await services.walking.step((await begun(services, step_within_s=1.0)).id, "next", "ines")
    assert heard_now(driver)["box-3"] == -30.0
    walk = await stopped(services, walk.id)
    assert walk.words.startswith("fill went back")
    assert "nobody went on" in (await stopped(services, idle.id)).words
    assert all_sound(driver) == before
    await services.close()


async def test_a_change_of_a_walk_is_never_kept_and_who_cancels_it_stops_the_walk(
    services: Services, driver: MemoryDriver
) -> None:
    before = all_sound(driver)
    walk = await services.walking.step((await begun(services)).id, "next", "ines")
    assert walk.now is not None
    with pytest.raises(Refused, match="always goes back"):
        await services.changes.keep(walk.now.change)
    await services.changes.cancel(walk.now.change, "otto")
    assert "cancelled by otto" in (await stopped(services, walk.id)).words
    assert all_sound(driver) == before


async def test_a_daemon_that_stops_brings_all_back(store: Store, driver: MemoryDriver) -> None:
    services = await opened(store, driver)
    before = all_sound(driver)
    walk = await services.walking.step((await begun(services)).id, "next", "ines")
    await services.close()
    assert (await services.walking.walk(walk.id)).state is WalkState.STOPPED
    assert all_sound(driver) == before


async def test_a_room_on_hold_is_not_walked(services: Services, driver: MemoryDriver) -> None:
    before = all_sound(driver)
    walk = await services.walking.step((await begun(services)).id, "next", "ines")
    await answered(services, walk)
    await services.holds.hold("weir-hall", "2h", "otto")
    with pytest.raises(Refused, match="hold: weir-hall is on hold"):
        await services.walking.step(walk.id, "next", "ines")
    assert all_sound(driver) == before, "it came back in spite of the hold"
    await services.walking.end(walk.id, "ines")
    with pytest.raises(Refused, match="is on hold by otto"):
        await begun(services)


async def test_a_group_is_walked_with_the_rest_of_its_room_muted(services: Services, driver: MemoryDriver) -> None:
    walk = await services.walking.step((await begun(services, group="mains", level_db=-40.0)).id, "next", "ines")
    assert walk.positions == ("main-left", "main-right")
    assert {k: v for k, v in heard_now(driver).items() if k in HALL_BOXES.values()} == {"box-1": -40.0}


async def test_who_cannot_be_walked_is_named_and_who_cannot_be_muted_may_sound(store: Store) -> None:
    """A dead box, an external mute, our own mute, a level below the cap, and a ceiling."""
    driver = StagingDriver(boxes())
    services = await opened(store, driver)
    text = HALL.replace("{device: box-3,", "{device: box-3, ceiling_db: -45,").replace(
        "positions:\n", "positions:\n  ear: {device: box-6}\n  out: {device: box-7}\n  shut: {device: box-8}\n"
    )
    for name in ("box-6", "box-7", "box-8"):
        driver.devices[name] = box(name)
        driver._tell_all(driver.devices[name])
    files = {"rooms/weir-hall.yaml": text}
    await services.desired.load({**services.desired.in_force().files, **files}, "ines")
    driver.devices["box-6"].live = replace(driver.devices["box-6"].live, outputs={1: replace(FLAT, level_db=-52.5)})
    driver.devices["box-7"].mute_causes[1] = ("external",)
    driver.devices["box-8"].mute_causes[1] = ("panel",)
    await hear_all(services, driver)
    driver.devices["box-2"].online = False
    before = all_sound(driver)
    walk = await services.walking.step((await begun(services)).id, "next", "ines")
    levels = {}
    while walk.now is not None:
        levels[walk.now.position] = (walk.now.level_db, walk.now.was_db)
        assert any(words.startswith("main-right: box-2") for words in walk.now.may_sound)
        assert driver.devices["box-7"].mute_causes[1] == ("external",)
        await answered(services, walk)
        walk = await services.walking.step(walk.id, "next", "ines")
    assert levels == {"ear": (-52.5, -52.5), "fill": (-45.0, -6.0), "main-left": (-30.0, -6.0)}
    words = {n.position: n.words for n in walk.not_walked}
    assert sorted(words) == ["horn", "main-right", "out", "shut"]
    assert "did not answer" in words["main-right"]
    assert words["out"] == "is muted (external): that mute is not ours to end"
    assert words["shut"].startswith("is muted: a walk unmutes nothing")
    assert all_sound(driver) == before
    await services.close()


async def test_a_box_that_fails_takes_the_step_back_and_the_walk_goes_on(store: Store) -> None:
    driver = StagingDriver(boxes())
    services = await opened(store, driver)
    before = all_sound(driver)
    walk = await begun(services)
    driver.devices["box-2"].epoch = 10**6
    with pytest.raises(Refused, match=r"fill could not be tried .*box-2"):
        await services.walking.step(walk.id, "next", "ines")
    driver.devices["box-2"].epoch = 1
    assert all_sound(driver) == before
    assert (await services.walking.step(walk.id, "repeat", "ines")).at == "fill"
    await services.close()
    assert all_sound(driver) == before


async def test_a_change_of_somebody_else_waits_until_the_step_is_over(services: Services) -> None:
    walk = await services.walking.step((await begun(services)).id, "next", "ines")
    plan = await services.changes.plan(apply())
    with pytest.raises(Refused, match="holds box-1"):
        await services.changes.start(
            apply(), digest=plan.digest, who="otto", why="", allow=["half-room", "rise", "live-click"]
        )
    await services.walking.end(walk.id, "ines")


async def test_what_cannot_be_begun(services: Services) -> None:
    with pytest.raises(NotFound, match="no room 'attic'"):
        await begun(services, "attic")
    with pytest.raises(NotFound, match="no group 'tops'"):
        await begun(services, group="tops")
    with pytest.raises(NotFound, match="no walk of foyer is left to continue"):
        await begun(services, "foyer", go_on=True)
    with pytest.raises(BadInput, match="no baseline"):
        await begun(services, group="mains", as_baseline=True)
    with pytest.raises(BadInput, match="too few or too many"):
        await begun(services, step_within_s=1.0)
    with pytest.raises(NotFound, match="no walk 'w-9'"):
        await services.walking.step("w-9", "next", "ines")


async def test_a_measured_value_needs_its_instrument(services: Services) -> None:
    walk = await services.walking.step((await begun(services)).id, "next", "ines")
    with pytest.raises(BadInput, match="has no instrument"):
        await answered(services, walk, replace(RIGHT, level_db=61.0))


async def test_a_later_walk_has_the_last_baseline_before_it(services: Services) -> None:
    first = await walked(services, as_baseline=True)
    other = await walked(services, "foyer")
    second = await walked(services, answers=replace(RIGHT, polarity="not sure"))
    assert await services.walking.baseline_of(second) == first
    assert await services.walking.baseline_of(first) is None
    assert await services.walking.baseline_of(other) is None
    assert [w.id for w in await services.walking.walks()] == [second.id, other.id, first.id]


@pytest.fixture
async def two_lives(store: Store, driver: MemoryDriver) -> AsyncIterator[tuple[Services, Services]]:
    """Services of a daemon, and those of the one that follows it on the same database and devices."""
    first = await opened(store, driver)
    for device in driver.devices.values():
        driver._tell_all(device)
    second = await opened(store, driver)
    yield first, second
    await second.close()


async def killed(services: Services) -> None:
    """Let nothing of these services do anything any more, as SIGKILL does."""
    tasks = [*services.changes._runs._tasks, *services.walking._watching.watched().values()]
    await end(*tasks)


@pytest.mark.parametrize("steps", [0, 1, 2])
async def test_a_daemon_killed_in_the_middle_brings_all_back_at_its_next_start(
    two_lives: tuple[Services, Services], driver: MemoryDriver, steps: int
) -> None:
    first, second = two_lives
    before = all_sound(driver)
    walk = await begun(first)
    for _ in range(steps):
        walk = await first.walking.step(walk.id, "next", "ines")
        await answered(first, walk)
    assert (all_sound(driver) == before) == (steps == 0)
    await killed(first)
    await hear_all(second, driver)
    await second.changes.recover()
    await second.walking.recover()
    walk = await stopped(second, walk.id)
    assert walk.words == "the daemon was stopped in its midst"
    assert all_sound(driver) == before
    assert await second.store.unfinished() == ()
    assert len(walk.heard) == steps, "what was answered is kept"
    again = await second.walking.begin(AskedWalk(room="weir-hall", go_on=True), "ines")
    assert (await second.walking.step(again.id, "next", "ines")).at == walk.positions[steps]


async def test_a_walk_is_continued_although_the_new_daemon_has_not_recovered_yet(
    two_lives: tuple[Services, Services], driver: MemoryDriver
) -> None:
    first, second = two_lives
    before = all_sound(driver)
    walk = await first.walking.step((await begun(first)).id, "next", "ines")
    await killed(first)
    await hear_all(second, driver)
    going_on = asyncio.create_task(second.walking.begin(AskedWalk(room="weir-hall", go_on=True), "ines"))
    await asyncio.sleep(0.05)
    assert not going_on.done()
    await second.changes.recover()
    await second.walking.recover()
    again = await going_on
    assert (again.id, again.state) == (walk.id, WalkState.WALKING)
    assert all_sound(driver) == before
    assert (await second.walking.step(walk.id, "next", "ines")).at == "fill"


async def test_a_daemon_that_never_comes_back_leaves_the_devices_a_timer(store: Store) -> None:
    """The wire's own revert timer is armed for longer than the step may take, and not for ever."""
    timers: list[float | None] = []

    class Noting(StagingDriver):
        async def commit(self, *given: Any, revert_after_ms: float | None = None) -> Any:
            timers.append(revert_after_ms)
            return await super().commit(*given, revert_after_ms=revert_after_ms)

    services = await opened(store, Noting(boxes()))
    await services.walking.step((await begun(services)).id, "next", "ines")
    step_ms = timedelta(seconds=walk_beginning.STEP_WITHIN_S).total_seconds() * 1000
    assert timers
    assert all(timer is not None and step_ms < timer <= step_ms + 120_000 for timer in timers)
    await services.close()
