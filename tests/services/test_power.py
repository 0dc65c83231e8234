"""Restarts: in waves by circuit, waited for until all are up, and the house curve recalled after them."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace

import pytest

from fleet.drivers.memory import MemoryDevice
from fleet.errors import NotFound, Refused
from fleet.model.description import PowerUp
from fleet.model.restart import Restart
from fleet.reconcile.scope import Scope
from fleet.services import power
from fleet.services.guests import AskedGuest
from fleet.services.planning import Asked
from fleet.services.together import Services
from fleet.services.walk_beginning import AskedWalk
from fleet.store.protocol import Store
from fleet.tasks import end
from tests.services.small_venue import FILES, HALL, StagingDriver, begun, box, boxes, ended, opened

CIRCUITS = HALL.replace("{device: box-1,", "{device: box-1, circuit: LP-1,").replace(
    "{device: box-2,", "{device: box-2, circuit: LP-1,"
)
HALL_SCOPE = Scope(rooms=("weir-hall",))


class Restarting(StagingDriver):
    """Notes when it restarted whom; those in `lost` never come back."""

    def __init__(self, devices: list[MemoryDevice]) -> None:
        self.order: list[tuple[str, ...]] = []
        self.lost: set[str] = set()
        super().__init__(devices)

    async def restart(self, description, expect, epoch) -> None:  # type: ignore[no-untyped-def]  # as the class below
        if description.id in self.lost:
            self._reach(description, epoch, expect).online = False
            self._tell_all(self.devices[description.id])
            return
        self.order.append((description.id,))
        await super().restart(description, expect, epoch)


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(power, "PAUSE_S", 0.01)
    monkeypatch.setattr(power, "BACK_WITHIN_S", 0.3)
    monkeypatch.setattr(power, "LOOK_EVERY_S", 0.01)


@asynccontextmanager
async def venue(store: Store, devices: list[MemoryDevice] | None = None) -> AsyncIterator[tuple[Services, Restarting]]:
    """The venue with circuits, its devices heard as they tell."""
    driver = Restarting(devices or boxes())
    services = await opened(store, driver)
    await services.desired.load({**FILES, "rooms/weir-hall.yaml": CIRCUITS}, "ines")

    async def hear() -> None:
        async for event in driver.events():
            services.inventory.hear(event)

    hearing = asyncio.create_task(hear())
    try:
        yield services, driver
    finally:
        await services.close()
        await end(hearing)


async def restarted(services: Services, scope: Scope = HALL_SCOPE, *, recall: bool = True) -> Restart:
    allow = ("rise", "half-room", "live-click", "unmanaged")  # what the slots of these devices hold cannot be read
    begun = await services.power.start(scope, who="ines", recall=recall, allow=allow)
    return await services.power.wait(begun.id, 20)


async def test_one_device_of_a_circuit_at_a_time(store: Store) -> None:
    async with venue(store) as (services, driver):
        planned = await services.power.plan(HALL_SCOPE, who="ines")
        assert planned.waves == (("box-1", "box-3"), ("box-2",))
        assert driver.order == []
        done = await restarted(services, recall=False)
        assert [d for (d,) in driver.order] == ["box-1", "box-3", "box-2"]
        assert (done.state, done.back, done.words, done.change) == ("done", ("box-1", "box-3", "box-2"), {}, "")


async def test_the_house_curve_is_recalled_once_all_are_up(store: Store) -> None:
    default = PowerUp(behaviour="default_slot", slot=1, slot_settable=True)
    devices = [
        replace(box(f"box-{n}"), description=replace(box(f"box-{n}").description, power_up=default)) for n in (1, 2, 3)
    ]
    async with venue(store, [*devices, *boxes(["box-4", "box-5", "box-9"])]) as (services, driver):
        change = await begun(services, Asked(kind="apply", scope=HALL_SCOPE))
        assert (await ended(services, change.id)).state == "kept"
        change = await begun(services, Asked(kind="store", scope=HALL_SCOPE))
        assert (await ended(services, change.id)).state == "kept"
        for device in devices:  # what a store sets is not what this is about: they come back in the factory's slot
            device.live = replace(device.live, power_up_slot=1)
        done = await restarted(services)
        assert (done.state, done.trouble) == ("done", "")
        assert done.change
        assert {driver.devices[f"box-{n}"].active_slot for n in (1, 2, 3)} == {5}
        assert (await services.lookout.differences(rooms=["weir-hall"])).counting() == ()


async def test_a_device_that_does_not_come_back_is_named(store: Store) -> None:
    async with venue(store) as (services, driver):
        driver.lost = {"box-3"}
        done = await restarted(services, recall=False)
        assert (done.state, done.back) == ("done", ("box-1", "box-2"))
        assert done.words == {"box-3": "is not back after 0.3 s"}


async def test_a_device_that_was_away_before_is_left_out(store: Store) -> None:
    async with venue(store) as (services, driver):
        driver.devices["box-3"].online = False
        driver.touched("box-3")
        await asyncio.sleep(0.05)
        planned = await services.power.plan(HALL_SCOPE, who="ines")
        assert planned.waves == (("box-1",), ("box-2",))
        assert "missing" in planned.words["box-3"]


async def test_a_room_on_hold_is_not_restarted(store: Store) -> None:
    async with venue(store) as (services, driver):
        await services.holds.hold("weir-hall", "2h", "tom")
        with pytest.raises(Refused, match="on hold") as refused:
            await services.power.start(HALL_SCOPE, who="ines")
        assert refused.value.guards == ("hold",)
        assert driver.order == []


async def test_a_guest_is_asked_for_before_anything_falls_silent(store: Store) -> None:
    async with venue(store) as (services, driver):
        await services.guests.begin(AskedGuest(room="weir-hall", guest="Choir", until="2h", who="ines"))
        with pytest.raises(Refused, match=r"has a guest: Choir.* If that is meant: --allow guest") as refused:
            await services.power.start(HALL_SCOPE, who="ines")
        assert refused.value.guards == ("guest",)
        assert driver.order == []
        assert (await services.power.plan(HALL_SCOPE, who="ines", allow=("guest",))).waves


async def test_nothing_is_restarted_while_the_room_is_walked(store: Store) -> None:
    async with venue(store) as (services, driver):
        await services.walking.begin(AskedWalk(room="weir-hall"), "otto")
        with pytest.raises(Refused, match=r"otto is walking weir-hall\. End the walk first"):
            await services.power.start(HALL_SCOPE, who="ines")
        assert driver.order == []


async def test_life_safety_is_never_restarted(store: Store) -> None:
    async with venue(store) as (services, driver):
        with pytest.raises(Refused, match="no device"):
            await services.power.start(replace(HALL_SCOPE, position="horn"), who="ines")
        await restarted(services, recall=False)
        assert "box-9" not in {d for (d,) in driver.order}


async def test_a_device_that_plays_in_another_room_needs_that_room_named(store: Store) -> None:
    async with venue(store) as (services, _):
        shared = FILES["rooms/foyer.yaml"].replace("{device: box-5,", "{device: box-1, output: 2,")
        await services.desired.load({**FILES, "rooms/foyer.yaml": shared}, "ines", allow=["older"])
        with pytest.raises(Refused, match="--also foyer"):
            await services.power.start(HALL_SCOPE, who="ines")
        plan = await services.power.plan(replace(HALL_SCOPE, also=frozenset({"foyer"})), who="ines")
        assert "box-1" in plan.waves[0]


async def test_nothing_is_restarted_in_the_middle_of_a_change(store: Store) -> None:
    async with venue(store) as (services, driver):
        plan = await services.changes.plan(Asked(kind="apply", scope=HALL_SCOPE))
        record = await services.changes.begin(plan, who="ines", why="", allow=("rise", "half-room"), keep_within_s=60)
        await services.changes.wait(record.id, 10, or_trial=True)
        with pytest.raises(Refused, match=r"c-0001 .*on trial\) holds box-1, box-2, box-3\. Keep or cancel"):
            await services.power.start(HALL_SCOPE, who="ines")
        assert driver.order == []


async def test_which_devices_of_a_room_are_not_up(store: Store) -> None:
    async with venue(store) as (services, driver):
        assert services.power.missing(["weir-hall"]) == ()
        driver.devices["box-2"].online = False
        driver.touched("box-2")
        await asyncio.sleep(0.05)
        assert [p.name for p in services.power.missing(["weir-hall"])] == ["main-right"]
        with pytest.raises(NotFound):
            services.power.missing(["nowhere"])
        with pytest.raises(NotFound):
            await services.power.wait("restart-9", 0)
