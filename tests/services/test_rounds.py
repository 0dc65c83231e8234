"""A room at a time: each room all or nothing by itself, every device told of, and a stop after so many."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from fleet.drivers.memory import MemoryDevice, MemoryDriver
from fleet.errors import BadInput, DeviceRefused, NotFound, Refused
from fleet.model.change import ChangeState
from fleet.reconcile.progress import Limits
from fleet.services.rounds import AskedRound, Rounds
from fleet.services.together import Services
from fleet.store.protocol import Store
from tests.services.many_rooms import FIVE_ROOMS, agreed, all_devices, away, gone_through, states, told
from tests.services.small_venue import NOON, StagingDriver, apply, begun, ended, opened, sound
from tests.services.test_changes import Watched, changes_over

ROOMS = ("attic", "bar", "foyer", "weir-hall", "yard")


@pytest.fixture
def devices() -> list[MemoryDevice]:
    return all_devices()


@pytest.fixture
async def services(services: Services) -> Services:
    await services.desired.load(FIVE_ROOMS, "ines")
    return services


async def opened_with_five_rooms(store: Store, driver: Any, memory: MemoryDriver | None = None) -> Services:
    services = await opened(store, driver, memory)
    await services.desired.load(FIVE_ROOMS, "ines")
    return services


def rounds_over(services: Services, driver: Any, limits: Limits) -> Rounds:
    """Rounds whose changes go through this driver, and are not patient for long."""
    changes = changes_over(services, driver=driver, limits=limits)
    return Rounds(changes=changes, desired=services.desired, clock=lambda: NOON, new_id=lambda: "round-1")


async def test_every_room_in_its_order_each_a_change_of_its_own(services: Services, driver: MemoryDriver) -> None:
    looks = await services.rounds.look("apply")
    assert [look.room for look in looks] == list(ROOMS)
    one = await gone_through(services.rounds, await agreed(services.rounds))
    assert states(one) == dict.fromkeys(ROOMS, "kept")
    assert (one.all_done, one.stopped, one.ended) == (True, "", NOON)
    records = [await services.changes.record(result.change) for result in one.rooms]
    assert [(r.plan.rooms, r.who, r.why) for r in records] == [((room,), "ines", f"{one.id}: season") for room in ROOMS]
    again = await gone_through(services.rounds, await agreed(services.rounds))
    assert states(again) == dict.fromkeys(ROOMS, "as it should be")
    assert again.all_done


async def test_two_that_fail_in_one_room_and_one_away_in_another_are_all_told(store: Store) -> None:
    async def die(name: str, device: str, _: Any) -> None:
        if name == "commit" and device in {"box-1", "box-2"}:
            away(memory.devices, ("box-1", "box-2"))
            raise DeviceRefused(device, "hot")

    memory = StagingDriver(all_devices())
    services = await opened_with_five_rooms(store, memory)
    away(memory.devices, ["box-5"])
    limits = Limits(rolling_back_s=0.2, checking_s=0.2)
    rounds = rounds_over(services, Watched(memory, die), limits)
    one = await gone_through(rounds, await agreed(rounds, stop_after=9))
    assert states(one) == {
        "attic": "kept",
        "bar": "kept",
        "foyer": "refused",
        "weir-hall": "needs a person",
        "yard": "kept",
    }
    assert told(one) == {"foyer": ["box-5"], "weir-hall": ["box-1", "box-2"]}
    assert not one.all_done
    assert one.stopped == ""
    words = {device: words for result in one.rooms for device, words in result.counted.items()}
    assert words["box-5"] == "box-5 did not answer in time"
    assert words["box-1"] == "refused (hot); needs a person"
    assert words["box-2"].endswith("needs a person")


@pytest.mark.parametrize(
    ("stop_after", "begun"), [(1, ["attic"]), (2, ["attic"]), (3, ["attic", "bar", "foyer"]), (4, list(ROOMS))]
)
async def test_it_stops_once_so_many_devices_are_away(
    services: Services, driver: MemoryDriver, stop_after: int, begun: list[str]
) -> None:
    away(driver.devices, ("box-6", "box-7", "box-5"))
    before = {device: sound(driver.devices[device]) for device in ("box-1", "box-4")}
    one = await gone_through(services.rounds, await agreed(services.rounds, stop_after=stop_after))
    assert [room for room, state in states(one).items() if state != "not begun"] == begun
    assert told(one)["attic"] == ["box-6", "box-7"]
    if begun == list(ROOMS):
        assert (one.stopped, states(one)["yard"]) == ("", "kept")
    else:
        assert one.stopped == f"{2 if stop_after < 3 else 3} devices failed, unreachable or late"
        assert sound(driver.devices["box-1"]) == before["box-1"]
    assert sound(driver.devices["box-4"]) == before["box-4"], "its room was refused as a whole"


async def test_a_late_device_counts(store: Store) -> None:
    async def hang(name: str, device: str, _: Any) -> None:
        if name == "commit" and device == "box-6":
            await asyncio.Event().wait()

    memory = StagingDriver(all_devices())
    services = await opened_with_five_rooms(store, memory)
    rounds = rounds_over(services, Watched(memory, hang), Limits(committing_s=0.5))
    one = await gone_through(rounds, await agreed(rounds))
    assert states(one) == {**dict.fromkeys(ROOMS, "not begun"), "attic": "rolled back"}
    assert one.rooms[0].counted == {"box-6": "did not answer in time while committing"}
    assert one.stopped == "1 device failed, unreachable or late"


async def test_a_guard_refuses_its_room_counts_nobody_and_stops_nothing(services: Services) -> None:
    await services.holds.hold("foyer", "2h", "otto")
    one = await gone_through(services.rounds, await agreed(services.rounds))
    assert states(one) == {**dict.fromkeys(ROOMS, "kept"), "foyer": "refused"}
    (foyer,) = [result for result in one.rooms if result.room == "foyer"]
    assert "foyer is on hold: otto" in foyer.words
    assert told(one) == {}


async def test_a_guard_is_lifted_for_every_room(services: Services) -> None:
    one = await gone_through(services.rounds, await agreed(services.rounds, allow=()))
    refused = dict.fromkeys(("bar", "weir-hall", "yard"), "refused")
    assert states(one) == {**dict.fromkeys(ROOMS, "kept"), **refused}
    assert "--allow live-click" in one.rooms[1].words
    assert "--allow half-room" in one.rooms[3].words


async def test_what_moved_since_it_was_shown_is_not_done(services: Services, driver: MemoryDriver) -> None:
    asked = await agreed(services.rounds)
    driver.touched("box-5")
    before = sound(driver.devices["box-5"])
    one = await gone_through(services.rounds, asked)
    assert states(one) == {**dict.fromkeys(ROOMS, "kept"), "foyer": "moved"}
    assert sound(driver.devices["box-5"]) == before
    assert not one.all_done


async def test_a_device_that_came_back_was_not_shown(services: Services, driver: MemoryDriver) -> None:
    away(driver.devices, ["box-5"])
    asked = await agreed(services.rounds)
    assert asked.digests["foyer"] == ""
    driver.devices["box-5"].online = True
    one = await gone_through(services.rounds, asked)
    assert states(one)["foyer"] == "moved"


async def test_a_recall_needs_no_further_room_to_be_named_and_replans_what_the_round_moved_itself(
    services: Services, driver: MemoryDriver
) -> None:
    """Bar and yard share an amplifier: the recall for the bar moves the yard's output, too."""
    asked = await agreed(services.rounds, "recall")
    looks = {look.room: look for look in await services.rounds.look("recall")}
    assert looks["yard"].plan is not None
    assert not [hit for hit in looks["yard"].plan.guards if hit.guard == "shared-device"]
    one = await gone_through(services.rounds, asked)
    assert states(one) == {
        "attic": "nothing to do",
        "bar": "kept",
        "foyer": "nothing to do",
        "weir-hall": "kept",
        "yard": "kept",
    }
    plans = [(await services.changes.record(one.rooms[i].change)).plan.digest for i in (1, 4)]
    assert plans[0] == asked.digests["bar"]
    assert plans[1] != asked.digests["yard"], "planned again"
    assert "no house-curve slot" in one.rooms[0].words
    assert one.all_done


async def test_a_guard_stands_against_what_is_replanned_too(services: Services, driver: MemoryDriver) -> None:
    asked = await agreed(services.rounds)
    keep = driver.keep

    async def hold_the_yard(description: Any, *arguments: Any) -> Any:
        if description.id == "amp-1":
            await services.holds.hold("yard", "2h", "otto")
        return await keep(description, *arguments)

    driver.keep = hold_the_yard  # type: ignore[method-assign]  # somebody holds a room in the middle of the round
    one = await gone_through(services.rounds, asked)
    assert states(one)["bar"] == "kept"
    assert states(one)["yard"] == "refused"


async def test_a_box_that_a_recall_leaves_out_because_it_is_away_counts(
    services: Services, driver: MemoryDriver
) -> None:
    away(driver.devices, ["box-3"])
    one = await gone_through(services.rounds, await agreed(services.rounds, "recall"))
    assert states(one)["weir-hall"] == "kept"
    assert told(one) == {"weir-hall": ["box-3"]}
    assert states(one)["yard"] == "not begun"


async def test_cancelling_lets_the_running_room_end_and_begins_no_other(store: Store) -> None:
    reached, go_on = asyncio.Event(), asyncio.Event()

    async def stop(name: str, device: str, _: Any) -> None:
        if name == "keep" and device == "amp-1":
            reached.set()
            await go_on.wait()

    memory = StagingDriver(all_devices())
    services = await opened_with_five_rooms(store, Watched(memory, stop), memory)
    one = await services.rounds.start(await agreed(services.rounds), who="ines", why="")
    await reached.wait()
    with pytest.raises(Refused, match=f"{one.id} of ines goes through the rooms"):
        await services.rounds.start(await agreed(services.rounds), who="otto", why="")
    services.rounds.cancel(one.id, "otto")
    go_on.set()
    one = await services.rounds.wait(one.id, 20)
    assert states(one) == {**dict.fromkeys(ROOMS, "not begun"), "attic": "kept", "bar": "kept"}
    assert one.stopped == "cancelled by otto"
    with pytest.raises(Refused, match="has ended"):
        services.rounds.cancel(one.id, "otto")


async def test_a_person_who_cancels_the_change_of_a_room_stops_the_round(store: Store) -> None:
    reached = asyncio.Event()

    async def stop(name: str, device: str, _: Any) -> None:
        if name == "commit" and device == "amp-1" and not reached.is_set():
            reached.set()
            await asyncio.Event().wait()

    memory = StagingDriver(all_devices())
    services = await opened_with_five_rooms(store, Watched(memory, stop), memory)
    one = await services.rounds.start(await agreed(services.rounds, stop_after=9), who="ines", why="")
    await reached.wait()
    bar = services.rounds.record(one.id).rooms[1]
    assert (bar.room, bar.state.value) == ("bar", "running")
    await services.changes.cancel(bar.change, "otto")
    one = await services.rounds.wait(one.id, 20)
    assert states(one) == {**dict.fromkeys(ROOMS, "not begun"), "attic": "kept", "bar": "rolled back"}
    assert one.stopped == "bar: cancelled by otto"


@pytest.mark.parametrize(("at", "end"), [("read", "refused"), ("prepare", "cancelled"), ("commit", "rolled back")])
async def test_a_daemon_that_stops_takes_the_running_room_back_and_begins_no_other(
    store: Store, at: str, end: str
) -> None:
    reached, go_on = asyncio.Event(), asyncio.Event()

    class Slow(StagingDriver):
        """Holds up one device until it may go on, or until nobody waits for it any more."""

        async def read(self, description: Any) -> Any:
            await self._hold_up("read", description)
            return await super().read(description)

        async def prepare(self, description: Any, *arguments: Any) -> None:
            await self._hold_up("prepare", description)
            await super().prepare(description, *arguments)

        async def commit(self, description: Any, *arguments: Any, **named: Any) -> Any:
            await self._hold_up("commit", description)
            return await super().commit(description, *arguments, **named)

        async def _hold_up(self, name: str, description: Any) -> None:
            if holding and name == at and description.id == "amp-1":
                reached.set()
                await go_on.wait()

    holding: list[bool] = []
    memory = Slow(all_devices())
    services = await opened_with_five_rooms(store, memory)
    before = {d: sound(memory.devices[d]) for d in memory.devices if d not in {"box-6", "box-7"}}
    asked = await agreed(services.rounds)
    holding.append(True)
    one = await services.rounds.start(asked, who="ines", why="")
    await reached.wait()
    closing = asyncio.create_task(services.close())
    if at == "read":
        await asyncio.sleep(0.05)  # all other changes have been cancelled by then
        go_on.set()
    async with asyncio.timeout(20):
        await closing
    one = services.rounds.record(one.id)
    assert one.ended is not None
    # Nothing begins while the daemon stops: a room that was only being read is refused.
    assert states(one)["bar"] == end
    assert [states(one)[room] for room in ROOMS[2:]] == ["not begun"] * 3
    assert {d: sound(memory.devices[d]) for d in before} == before
    assert await store.unfinished() == ()
    with pytest.raises(Refused, match="the daemon stops"):
        await services.rounds.start(asked, who="ines", why="")


async def test_a_lost_link_stops_the_round(store: Store) -> None:
    async def lose_the_link(name: str, device: str, _: Any) -> None:
        if name == "keep" and device == "box-7":
            services.inventory.link_trouble = "the broker is gone"

    memory = StagingDriver(all_devices())
    services = await opened_with_five_rooms(store, Watched(memory, lose_the_link), memory)
    one = await gone_through(services.rounds, await agreed(services.rounds, stop_after=9))
    assert states(one) == {**dict.fromkeys(ROOMS, "not begun"), "attic": "kept", "bar": "failed"}
    assert one.stopped.startswith("bar: the devices cannot be reached: the broker is gone")


async def test_a_running_change_refuses_the_room_that_shares_its_device(store: Store) -> None:
    reached, go_on = asyncio.Event(), asyncio.Event()

    async def stop(name: str, device: str, _: Any) -> None:
        if name == "prepare" and device == "box-4":
            reached.set()
            await go_on.wait()

    memory = StagingDriver(all_devices())
    services = await opened_with_five_rooms(store, Watched(memory, stop), memory)
    asked = await agreed(services.rounds)
    other = await begun(services, apply("foyer"))
    await reached.wait()
    one = await gone_through(services.rounds, asked)
    go_on.set()
    assert states(one) == {**dict.fromkeys(ROOMS, "kept"), "foyer": "refused"}
    assert one.rooms[2].words.startswith(f"change {other.id} of ines (foyer, staging) holds box-4, box-5")
    assert told(one) == {}, "nothing is wrong with its devices"
    assert (await ended(services, other.id)).state is ChangeState.KEPT


async def test_what_cannot_be_a_round(services: Services) -> None:
    with pytest.raises(BadInput, match="needs a room"):
        await services.rounds.start(AskedRound(kind="apply", digests={}), who="ines", why="")
    with pytest.raises(BadInput, match="1 device or more"):
        await services.rounds.start(AskedRound(kind="apply", digests={"bar": ""}, stop_after=0), who="ines", why="")
    with pytest.raises(NotFound, match="no room 'cellar'"):
        await services.rounds.start(AskedRound(kind="apply", digests={"cellar": ""}), who="ines", why="")
    for unknown in (services.rounds.record, lambda one: services.rounds.cancel(one, "ines")):
        with pytest.raises(NotFound, match="not kept when the daemon stops"):
            unknown("round-x")


async def test_old_rounds_are_forgotten_at_last(services: Services) -> None:
    asked = AskedRound(kind="apply", digests={"attic": ""})
    first = await gone_through(services.rounds, asked)
    for _ in range(19):
        last = await gone_through(services.rounds, asked)
    assert services.rounds.record(first.id) == first
    await gone_through(services.rounds, asked)
    assert services.rounds.record(last.id) == last
    with pytest.raises(NotFound):
        services.rounds.record(first.id)
