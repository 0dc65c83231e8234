"""A room is muted at once and comes back: on both drivers, through a recall, a restart, and a hand at the box."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from fleet.drivers.memory import MemoryDriver
from fleet.errors import BadInput, Refused
from fleet.faces.diff_documents import sentence
from fleet.model.change import ChangeState
from fleet.model.settings import DeviceSettings, OutputSettings
from fleet.model.standing import OurMute
from fleet.model.state import MuteCause
from fleet.reconcile.scope import Scope, select
from fleet.services.planning import Asked
from fleet.store.protocol import Store
from tests.services.level_venue import Life, devices, life
from tests.services.small_venue import DRIVERS, hear_all

RECALL = Asked(kind="recall", scope=Scope(rooms=("bar",)))
BOXES = ("box-1", "box-2", "box-3", "box-4")


def mute(**narrowed: Any) -> Asked:
    return Asked(kind="mute", scope=Scope(rooms=("bar",), **narrowed))


def unmute(who: str = "ana") -> Asked:
    return Asked(kind="unmute", scope=Scope(rooms=("bar",)), who=who)


def silent(bar: Life) -> list[str]:
    return [name for name in BOXES if bar.driver.devices[name].mute_causes.get(1)]


def words(bar: Life) -> str:
    services = bar.services
    positions = select(services.desired.venue(), "bar")
    compared = services.lookout.compare(services.lookout.glance({p.device for p in positions}), positions)
    return sentence(compared, services.watching.standing("bar"))


async def pressed(bar: Life, device: str, *causes: MuteCause) -> None:
    """Somebody mutes or unmutes a box by hand or by a contact, and the daemon hears it."""
    one = bar.driver.devices[device]
    one.mute_causes[1] = causes
    bar.driver.touched(device)
    await hear_all(bar.services, bar.driver)


@pytest.mark.parametrize("kind", DRIVERS, ids=lambda kind: kind.name)
async def test_a_room_is_muted_says_so_and_comes_back_as_it_was(store: Store, kind: type[MemoryDriver]) -> None:
    async with life(store, kind(devices())) as bar:
        record = await bar.do(mute(), who="ana")
        assert (record.state, record.plan.guards) == (ChangeState.KEPT, ())
        assert silent(bar) == list(BOXES)
        assert words(bar) == "muted by ana since 14:00"
        assert await bar.services.changes.story(record.id)
        again = await bar.services.changes.plan(mute())
        assert again.empty()
        back = await bar.do(unmute(), who="ana")
        assert (back.state, back.plan.undoes) == (ChangeState.KEPT, record.id)
        assert silent(bar) == []
        assert [bar.level_db(name) for name in BOXES] == [-10.0, -8.0, -8.0, -12.0]
        assert await store.standing(OurMute) == {}
        assert "muted" not in words(bar)


async def test_what_somebody_else_muted_stays_muted(store: Store) -> None:
    async with life(store) as bar:
        await pressed(bar, "box-1", "external")
        await bar.do(mute(), who="ana")
        assert words(bar).startswith("3 positions muted by ana since 14:00")
        await pressed(bar, "box-4", "controller", "panel")
        plan = await bar.services.changes.plan(unmute())
        assert [x.position for x in plan.left_out] == ["door"]
        await bar.do(unmute(), who="ana")
        assert silent(bar) == ["box-1", "box-4"]


async def test_a_mute_goes_through_a_hold_and_only_its_holder_takes_it_back(store: Store) -> None:
    async with life(store) as bar:
        await bar.services.holds.hold("bar", "2h", "tom")
        assert (await bar.do(mute(), who="ana")).state is ChangeState.KEPT
        with pytest.raises(Refused, match="hold"):
            await bar.do(unmute("ana"), who="ana")
        assert (await bar.do(unmute("tom"), who="tom")).state is ChangeState.KEPT


async def test_a_dead_box_is_left_out_and_the_others_are_silent(store: Store) -> None:
    async with life(store) as bar:
        bar.driver.devices["box-2"].online = False
        bar.driver.touched("box-2")
        await hear_all(bar.services, bar.driver)
        record = await bar.do(mute(), who="ana")
        assert [(x.position, x.unable) for x in record.plan.left_out] == [("left", True)]
        assert silent(bar) == ["box-1", "box-3", "box-4"]


async def test_a_recall_ends_the_mute(store: Store) -> None:
    async with life(store) as bar:
        await bar.do(mute(), who="ana")
        await bar.do(RECALL)
        assert silent(bar) == []
        assert bar.services.desired.mutes == await store.standing(OurMute) == {}
        assert (await bar.services.changes.plan(unmute())).empty()


async def test_it_is_no_drift_and_stands_through_a_restart(store: Store) -> None:
    async with life(store) as bar:
        await bar.services.watching.tick()
        await bar.do(mute(), who="ana")
        for _ in range(3):
            bar.clock.pass_by(seconds=30)
            await bar.services.watching.tick()
        assert bar.services.watching.episodes("bar") == ()
        driver, clock = bar.driver, bar.clock
    async with life(store, driver, clock) as bar:
        bar.clock.pass_by(seconds=30)
        await bar.services.watching.tick()
        assert bar.services.watching.episodes("bar") == ()
        assert words(bar) == "muted by ana since 14:00"
        await bar.do(unmute(), who="ana")
        assert silent(bar) == []


async def test_a_hand_that_unmutes_ends_it_there(store: Store) -> None:
    async with life(store) as bar:
        await bar.do(mute(), who="ana")
        bar.clock.pass_by(seconds=10)
        await pressed(bar, "box-1")
        await bar.services.mutes_over.tick()
        assert set(await store.standing(OurMute)) == {"bar/door", "bar/left", "bar/right"}
        assert words(bar).startswith("3 positions muted by ana")
        await pressed(bar, "box-1", "panel")
        await bar.do(unmute(), who="ana")
        assert silent(bar) == ["box-1"], "what a hand muted later is not ours"


async def test_the_rollback_of_a_mute_and_of_an_unmute(store: Store) -> None:
    async with life(store) as bar:
        first = await bar.do(mute(), who="ana")
        await bar.do(Asked(kind="rollback", change=first.id), allow=("rise", "half-room"))
        assert (silent(bar), bar.services.desired.mutes) == ([], {})
        await bar.do(mute(), who="ana")
        back = await bar.do(unmute(), who="ana")
        await bar.do(Asked(kind="rollback", change=back.id), who="eva", allow=("half-room",))
        assert silent(bar) == list(BOXES)
        assert words(bar) == "muted by eva since 14:00"


async def test_a_mute_cannot_be_on_trial(store: Store) -> None:
    async with life(store) as bar:
        plan = await bar.services.changes.plan(mute())
        with pytest.raises(BadInput, match="cannot be on trial"):
            await bar.services.changes.start(mute(), digest=plan.digest, who="ana", why="", keep_within_s=60)
        narrow = await bar.services.changes.plan(replace(mute(), scope=Scope(rooms=("bar",), group="pair")))
        assert [d.device for d in narrow.devices] == ["box-2", "box-3"]


async def test_silence_waits_for_nobodys_trial(store: Store) -> None:
    """A change on trial that turned out too loud is cancelled by it."""
    async with life(store) as bar:
        soft = DeviceSettings(outputs={1: OutputSettings(level_db=-40.0)})
        bar.driver.devices["box-1"].live = soft.over(bar.driver.devices["box-1"].live)
        bar.driver.touched("box-1")
        await hear_all(bar.services, bar.driver)
        changes = bar.services.changes
        plan = await changes.plan(Asked(kind="apply", scope=Scope(rooms=("bar",))))
        trial = await changes.begin(plan, who="eva", why="", allow=("rise", "half-room"), keep_within_s=600)
        assert (await changes.wait(trial.id, 10, or_trial=True)).state is ChangeState.ON_TRIAL
        plan = await changes.plan(mute())
        muted = await changes.start(mute(), digest=plan.digest, who="ana", why="")
        assert (await changes.wait(muted.id, 10)).state is ChangeState.KEPT
        assert silent(bar) == list(BOXES)
        assert (await changes.record(trial.id)).state is ChangeState.ROLLED_BACK
        assert muted.plan.afterwards == (f"change {trial.id} of eva (bar) was cancelled for it: rolled back",)
        assert bar.driver.devices["box-1"].live.outputs[1].level_db == -40
