"""Changes on trial: kept by a person, undone by one, or returned; what a clock that jumps does to them."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from fleet.drivers.protocol import StateHeard
from fleet.errors import BadInput, Refused
from fleet.model.change import ChangeRecord, ChangeState
from fleet.services.changes import Changes
from fleet.services.planning import Asked
from fleet.services.together import Services
from fleet.store.protocol import Store
from tests.services.small_venue import FLAT, NOON, StagingDriver, apply, boxes, ended, hear_all, opened, sound

S = ChangeState


async def on_trial(services: Services, seconds: float = 60.0) -> ChangeRecord:
    """A change of a room on trial."""
    asked = apply("foyer")
    plan = await services.changes.plan(asked)
    started = await services.changes.start(
        asked, digest=plan.digest, who="ines", why="", allow=["half-room"], keep_within_s=seconds
    )
    return await services.changes.wait(started.id, 20, or_trial=True)


async def test_a_trial_waits_and_is_kept(store: Store) -> None:
    services = await opened(store, driver := StagingDriver(boxes()))
    change = await on_trial(services)
    assert change.state is S.ON_TRIAL
    assert change.trial_until is not None
    assert timedelta(seconds=59) < change.trial_until - NOON <= timedelta(seconds=60)
    assert (await store.change(change.id)) == change
    await services.changes.keep(change.id)
    assert (await ended(services, change.id)).state is S.KEPT
    assert driver.open == {}
    assert driver.devices["box-4"].live.outputs[1].level_db == -10.0


async def test_a_keep_is_durable_when_it_is_answered(store: Store) -> None:
    services = await opened(store, StagingDriver(boxes()))
    change = await on_trial(services)
    await services.changes.keep(change.id)
    stored = await store.change(change.id)
    assert stored is not None
    assert stored.state in {S.KEEPING, S.KEPT}


async def test_an_old_state_that_comes_late_ends_no_trial(store: Store) -> None:
    services = await opened(store, driver := StagingDriver(boxes()))
    old = driver.devices["box-4"].state()
    change = await on_trial(services)
    assert old.moment.revision < driver.devices["box-4"].revision
    await hear_all(services, driver)
    services.inventory.hear(StateHeard(device="box-4", state=old))
    await services.changes.wait(change.id, 0.05)
    assert (await services.changes.record(change.id)).state is S.ON_TRIAL
    driver.open.clear()
    services.inventory.hear(StateHeard(device="box-4", state=driver.devices["box-4"].state()))
    assert (await ended(services, change.id)).state is S.ROLLED_BACK, "a new state without the change does"


async def test_a_trial_can_be_undone(store: Store) -> None:
    services = await opened(store, driver := StagingDriver(boxes()))
    before = sound(driver.devices["box-4"])
    change = await on_trial(services)
    await services.changes.cancel(change.id, "ines")
    assert (await ended(services, change.id)).state is S.ROLLED_BACK
    assert (sound(driver.devices["box-4"]), driver.open) == (before, {})


async def test_a_device_holds_one_trial_and_who_asks_is_told_whose(store: Store) -> None:
    services = await opened(store, driver := StagingDriver(boxes()))
    change = await on_trial(services)
    driver.devices["box-4"].live = replace(driver.devices["box-4"].live, outputs={1: FLAT})
    driver.touched("box-4")
    plan = await services.changes.plan(apply("foyer"))
    with pytest.raises(Refused, match=f"{change.id} of ines .*on trial.* holds box-4"):
        await services.changes.start(apply("foyer"), digest=plan.digest, who="otto", why="", allow=["half-room"])


async def test_what_is_not_on_trial_cannot_be_kept(store: Store) -> None:
    services = await opened(store, StagingDriver(boxes()))
    change = await on_trial(services)
    await services.changes.keep(change.id)
    await ended(services, change.id)
    with pytest.raises(Refused, match="has ended: kept"):
        await services.changes.keep(change.id)


@pytest.mark.parametrize("seconds", [0.0, 9.9, 4 * 3600 + 1.0])
async def test_a_trial_has_a_sensible_length(store: Store, seconds: float) -> None:
    services = await opened(store, StagingDriver(boxes()))
    with pytest.raises(BadInput, match="too short or too long"):
        await on_trial(services, seconds)


async def test_a_store_has_no_trial(store: Store) -> None:
    services = await opened(store, StagingDriver(boxes()))
    asked = Asked(kind="store", scope=apply("weir-hall").scope)
    plan = await services.changes.plan(asked)
    with pytest.raises(BadInput, match="store"):
        await services.changes.start(asked, digest=plan.digest, who="ines", why="", keep_within_s=60)


@pytest.mark.parametrize(
    ("jump", "end"), [(timedelta(hours=1), S.ROLLED_BACK), (timedelta(hours=-1), S.ON_TRIAL), (timedelta(), S.ON_TRIAL)]
)
async def test_a_clock_that_jumps_while_the_daemon_is_down_makes_no_trial_longer(
    store: Store, jump: timedelta, end: ChangeState
) -> None:
    services = await opened(store, StagingDriver(boxes()))
    change = await on_trial(services)
    later = after_a_stop(services, store, jump)
    await later.recover()
    found = await later.wait(change.id, 20, or_trial=True)
    assert found.state is end
    if end is S.ON_TRIAL:
        assert found.trial_until == change.trial_until
        await later.keep(change.id)
    assert (await later.wait(change.id, 20)).state is (S.KEPT if end is S.ON_TRIAL else S.ROLLED_BACK)
    await later.close()


def after_a_stop(services: Services, store: Store, jump: timedelta = timedelta()) -> Changes:
    """The changes of the next daemon, with the last one dead."""
    for task in services.changes._runs._tasks:
        task.cancel()
    return Changes(
        store=store,
        driver=services.driver,
        inventory=services.inventory,
        desired=services.desired,
        lookout=services.lookout,
        clock=lambda: NOON + jump,
        new_id=lambda: "c-never",
    )


async def test_nobody_keeps_a_trial_that_is_still_taken_up_again(store: Store) -> None:
    """Its devices may have gone back meanwhile: a keep that was taken then could be forgotten."""
    services = await opened(store, StagingDriver(boxes()))
    change = await on_trial(services)
    later = after_a_stop(services, store)
    await later.recover()
    with pytest.raises(Refused, match=r"its devices are read.*Try again"):
        await later.keep(change.id)
    assert (await later.wait(change.id, 20, or_trial=True)).state is S.ON_TRIAL
    await later.keep(change.id)
    assert (await later.wait(change.id, 20)).state is S.KEPT
    await later.close()


async def test_a_daemon_that_stops_takes_a_trial_back(store: Store) -> None:
    services = await opened(store, driver := StagingDriver(boxes()))
    change = await on_trial(services)
    await services.changes.close()
    stored = await store.change(change.id)
    assert stored is not None
    assert replace(stored, culprits={}).state is S.ROLLED_BACK
    assert driver.open == {}
