"""A level that somebody turned at a wall panel while no daemon ran is the operator's, as one that was heard is."""

from __future__ import annotations

from dataclasses import replace

import pytest

from fleet.model.change import ChangeState
from fleet.model.settings import DeviceSettings, OutputSettings
from fleet.model.standing import LevelsTold
from fleet.reconcile.following import AT_THE_BOX, ELSEWHERE
from fleet.reconcile.scope import Scope
from fleet.services.planning import Asked
from fleet.store.protocol import Store
from tests.services.level_venue import BAR, FILES, FILES_WITH_NIGHT, Life, level, life

RECALL = Asked(kind="recall", scope=Scope(rooms=("bar",)))


async def settle(bar: Life) -> None:
    """Long enough for everything to be written down."""
    await bar.tick()
    bar.clock.pass_by(seconds=10)
    await bar.tick()


def turn(bar: Life, device: str, level_db: float) -> None:
    """Somebody turns a level, and nobody listens."""
    one = bar.driver.devices[device]
    one.live = DeviceSettings(outputs={1: OutputSettings(level_db=level_db)}).over(one.live)
    one.revision += 1
    bar.clock.pass_by(hours=1)


async def differing(bar: Life) -> list[tuple[str, str]]:
    compared = await bar.services.lookout.differences(rooms=["bar"])
    return [(d.position, d.words) for d in compared.counting()]


async def test_what_was_turned_within_its_range_is_chosen_and_a_recall_keeps_it(store: Store) -> None:
    async with life(store) as bar:
        await bar.do(level(to_db=-6))
        await settle(bar)
    turn(bar, "box-1", -15.0)
    async with life(store, bar.driver, bar.clock) as again:
        await settle(again)
        assert (await again.standing())["counter"] == (-15.0, ELSEWHERE)
        assert (await again.standing())["left"] == (-6.0, "ines")
        assert await differing(again) == []
        await again.do(RECALL, allow=("rise", "half-room", "unmanaged"))
        assert [again.level_db(f"box-{n}") for n in (1, 2)] == [-15.0, -6.0]
    async with life(store, bar.driver, bar.clock) as third:
        await settle(third)
        assert (await third.standing())["counter"] == (-15.0, ELSEWHERE), "written down"


async def test_what_was_turned_out_of_its_range_is_a_difference_and_nobodys_choice(store: Store) -> None:
    async with life(store) as bar:
        await settle(bar)
    turn(bar, "box-1", -1.0)
    async with life(store, bar.driver, bar.clock) as again:
        await settle(again)
        assert await again.standing() == {}
        assert await differing(again) == [("counter", "3 dB above its range of -20 to -4 dB")]


async def test_who_it_was_is_known_where_the_device_says_so(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    async with life(store) as bar:
        await settle(bar)
    turn(bar, "box-1", -15.0)
    tell = bar.driver._state
    monkeypatch.setattr(bar.driver, "_state", lambda device: replace(tell(device), cause="panel"))
    async with life(store, bar.driver, bar.clock) as again:
        await settle(again)
        assert await again.standing() == {"counter": (-15.0, AT_THE_BOX)}


@pytest.mark.parametrize("happened", ["restarted", "another slot"])
async def test_what_the_device_did_by_itself_is_nobodys_choice(store: Store, happened: str) -> None:
    async with life(store) as bar:
        await settle(bar)
    turn(bar, "box-1", -15.0)
    one = bar.driver.devices["box-1"]
    if happened == "restarted":
        one.boot_count += 1
    else:
        one.active_slot = 3
    async with life(store, bar.driver, bar.clock) as again:
        await settle(again)
        assert await again.standing() == {}


async def test_what_a_change_left_that_was_not_written_down_is_nobodys_choice(store: Store) -> None:
    async with life(store) as bar:
        await settle(bar)
        record = await bar.do(replace(level(-3, position="counter"), kind="level"))
        assert record.state is ChangeState.KEPT  # and the daemon is gone before anything else is written
    remembered = await store.standing(LevelsTold)
    assert remembered["box-1"].levels_db == {1: -10.0}
    async with life(store, bar.driver, bar.clock) as again:
        await settle(again)
        assert await again.standing() == {"counter": (-13.0, "ines")}
    turn(bar, "box-1", -15.0)
    async with life(store, bar.driver, bar.clock) as third:
        await settle(third)
        assert await third.standing() == {"counter": (-15.0, ELSEWHERE)}


async def test_what_was_turned_after_a_change_that_was_not_written_down_is_chosen(store: Store) -> None:
    async with life(store) as bar:
        await settle(bar)
        await bar.do(level(-3, position="counter"))
    turn(bar, "box-1", -10.0)  # as it was before the change
    async with life(store, bar.driver, bar.clock) as again:
        await settle(again)
        assert await again.standing() == {"counter": (-10.0, ELSEWHERE)}


async def test_what_a_trial_tries_is_nobodys_choice_though_the_daemon_stops_in_it(store: Store) -> None:
    async with life(store) as bar:
        await settle(bar)
        plan = await bar.services.changes.plan(level(-3, position="counter"))
        record = await bar.services.changes.begin(plan, who="ines", why="a test", keep_within_s=60.0)
        await bar.services.changes.wait(record.id, 10, or_trial=True)
        await settle(bar)
        assert bar.level_db("box-1") == -13.0
        assert (await store.standing(LevelsTold))["box-1"].levels_db == {1: -10.0}, "a trial is not written down"
    async with life(store, bar.driver, bar.clock) as again:
        await settle(again)
        assert again.level_db("box-1") == -10.0
        assert await again.standing() == {}


async def test_a_mode_has_its_own_and_what_has_no_range_any_more_is_forgotten(store: Store) -> None:
    async with life(store, files=FILES_WITH_NIGHT) as bar:
        await settle(bar)
        assert set(await store.standing(LevelsTold)) == {"box-1", "box-2", "box-3"}
    fixed = {
        **FILES,
        "rooms/bar.yaml": BAR.replace(
            "counter: {device: box-1, level_db: {between: [-20, -4]}}", "counter: {device: box-1}"
        ),
    }
    turn(bar, "box-1", -15.0)
    async with life(store, bar.driver, bar.clock, fixed) as again:
        await settle(again)
        assert await again.standing() == {}
        assert set(await store.standing(LevelsTold)) == {"box-2", "box-3"}
    async with life(store, bar.driver, bar.clock) as third:
        await settle(third)
        assert await third.standing() == {}, "what it was told last is too old to go by"
