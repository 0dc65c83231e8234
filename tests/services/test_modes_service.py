"""Modes through the services: recalled, kept, rolled back, combined both or neither, lost with the files."""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path

import pytest

from fleet.drivers.memory import MemoryDriver
from fleet.errors import BadInput, Moved, NotFound, Refused
from fleet.model.change import ChangeRecord, ChangeState
from fleet.model.plan import Phase
from fleet.model.standing import RoomMode
from fleet.services.capturing import AskedCapture
from fleet.services.lost_modes import BY_FILES
from fleet.services.planning import Asked
from fleet.services.together import Services
from fleet.store.protocol import Store
from tests.services.modes_venue import EVERY_GUARD, FILES_WITH_MODES, recall
from tests.services.modes_venue import store as store_of
from tests.services.small_venue import (
    FILES,
    StagingDriver,
    all_sound,
    apply,
    begun,
    boxes,
    ended,
    hear_all,
    opened,
    store_at,
)


@pytest.fixture
async def services(store: Store, driver: MemoryDriver) -> AsyncIterator[Services]:
    services = await opened(store, driver)
    await services.desired.load(FILES_WITH_MODES, "ines")
    for room in ("weir-hall", "foyer"):
        await done(services, apply(room))
    yield services
    await services.close()


async def done(services: Services, asked: Asked) -> ChangeRecord:
    """The change of it, which is kept."""
    record = await ended(services, (await begun(services, asked, allow=EVERY_GUARD)).id)
    assert record.state is ChangeState.KEPT, record
    return record


def levels_db(driver: MemoryDriver) -> dict[str, float | None]:
    return {name: one.live.outputs[1].level_db for name, one in driver.devices.items() if name != "box-9"}


def modes_of(services: Services) -> dict[str, str]:
    return {name: room.mode for name, room in services.desired.venue().rooms.items()}


async def test_a_recall_in_a_mode_brings_the_room_into_it_once_it_is_kept(
    services: Services, driver: MemoryDriver
) -> None:
    plan = await services.changes.plan(recall("night"))
    assert (plan.was.modes, plan.then.modes) == ({"weir-hall": "house"}, {"weir-hall": "night"})
    assert plan.scope == "weir-hall in mode night"
    assert modes_of(services)["weir-hall"] == "house"
    record = await done(services, recall("night"))
    assert modes_of(services) == {"weir-hall": "night", "foyer": "house"}
    assert levels_db(driver) == {"box-1": -20, "box-2": -20, "box-3": -20, "box-4": -10, "box-5": -10}
    standing = services.desired.modes["weir-hall"]
    assert (standing.mode, standing.who, standing.change) == ("night", "ines", record.id)
    found = await services.lookout.differences(rooms=["weir-hall"])
    assert [one for one in found.differences if one.subject == "live"] == []


async def test_a_mode_with_its_own_slot_is_stored_there_and_recalled_from_it(
    services: Services, driver: MemoryDriver
) -> None:
    await done(services, store_of("speech"))
    assert modes_of(services)["weir-hall"] == "house", "a store brings no room into a mode"
    assert levels_db(driver)["box-1"] == -6
    contents = driver.devices["box-1"].slots
    assert contents[6].outputs is not None
    assert contents[6].outputs[1].level_db == -9
    assert contents[5].outputs is not None
    assert contents[5].outputs[1].level_db == -6
    await done(services, recall("speech"))
    assert {name: driver.devices[name].active_slot for name in ("box-1", "box-2", "box-3")} == {
        "box-1": 6,
        "box-2": 6,
        "box-3": 6,
    }
    assert levels_db(driver)["box-3"] == -10


async def test_a_store_in_a_mode_without_a_slot_keeps_the_room_without_modes_in_the_slot(
    services: Services, driver: MemoryDriver
) -> None:
    await done(services, store_of(None))
    await done(services, recall("night"))
    await done(services, store_of(None))
    contents = driver.devices["box-1"].slots[5]
    assert contents.outputs is not None
    assert contents.outputs[1].level_db == -6
    with pytest.raises(Refused, match="mode night of weir-hall has no slot of its own"):
        await services.changes.plan(store_of("night"))


async def test_a_recall_without_a_mode_stays_in_the_present_one(services: Services, driver: MemoryDriver) -> None:
    await done(services, recall("night"))
    live = driver.devices["box-3"].live
    driver.devices["box-3"].live = replace(live, outputs={1: replace(live.outputs[1], level_db=-30.0)})
    driver.touched("box-3")
    await hear_all(services, driver)
    plan = await services.changes.plan(recall(None))
    assert plan.scope == "weir-hall in mode night"
    assert (plan.was.modes, plan.then.modes) == ({}, {})
    await done(services, recall(None))
    assert levels_db(driver)["box-3"] == -20
    assert modes_of(services)["weir-hall"] == "night"


async def test_house_brings_the_room_without_modes_back(services: Services, driver: MemoryDriver) -> None:
    await done(services, recall("night"))
    record = await done(services, recall("house"))
    assert record.plan.scope == "weir-hall in mode house"
    assert levels_db(driver)["box-1"] == -6
    assert modes_of(services)["weir-hall"] == "house"


async def test_a_mode_that_changes_no_device_comes_in_force_all_the_same(services: Services) -> None:
    files = {**FILES_WITH_MODES}
    files["rooms/foyer.yaml"] += "  same: {}\n"
    await services.desired.load(files, "ines")
    plan = await services.changes.plan(recall("same", "foyer"))
    assert (plan.devices, plan.empty()) == ((), False)
    record = await done(services, recall("same", "foyer"))
    assert record.outcomes == ()
    assert modes_of(services)["foyer"] == "same"
    assert (await services.changes.plan(recall("same", "foyer"))).empty()


async def test_the_digest_covers_the_mode(services: Services) -> None:
    night, speech = [await services.changes.plan(recall(mode)) for mode in ("night", "speech")]
    assert night.digest != speech.digest
    with pytest.raises(Moved):
        await services.changes.start(recall("speech"), digest=night.digest, who="ines", why="", allow=EVERY_GUARD)
    before = await services.changes.plan(recall("night"))
    await done(services, recall("night"))
    assert (await services.changes.plan(recall("night"))).digest != before.digest


async def test_a_rollback_returns_the_mode_with_the_settings(services: Services, driver: MemoryDriver) -> None:
    record = await done(services, recall("night"))
    back = Asked(kind="rollback", change=record.id)
    plan = await services.changes.plan(back)
    assert (plan.was.modes, plan.then.modes) == ({"weir-hall": "night"}, {"weir-hall": "house"})
    await done(services, back)
    assert modes_of(services)["weir-hall"] == "house"
    assert levels_db(driver)["box-1"] == -6


async def test_a_change_that_is_not_kept_brings_no_room_into_a_mode(services: Services, driver: MemoryDriver) -> None:
    begun_ = await services.changes.start(
        recall("night"),
        digest=(await services.changes.plan(recall("night"))).digest,
        who="ines",
        why="",
        allow=EVERY_GUARD,
        keep_within_s=60,
    )
    await services.changes.wait(begun_.id, 30, or_trial=True)
    assert modes_of(services)["weir-hall"] == "house"
    await services.changes.cancel(begun_.id, "ines")
    assert (await ended(services, begun_.id)).state is ChangeState.ROLLED_BACK
    assert modes_of(services)["weir-hall"] == "house"
    assert levels_db(driver)["box-1"] == -6


async def test_a_mode_survives_a_restart(tmp_path: Path) -> None:
    driver = StagingDriver(boxes())
    async with store_at(tmp_path) as store:
        services = await opened(store, driver)
        await services.desired.load(FILES_WITH_MODES, "ines")
        await done(services, recall("night"))
        await services.close()
    async with store_at(tmp_path) as store:
        desired = (await opened(store, driver)).desired
        await desired.load(FILES_WITH_MODES, "ines", allow=["older"])
        assert desired.venue().rooms["weir-hall"].mode == "night"
        assert desired.venue().rooms["weir-hall"].positions["fill"].fixed.level_db == -20


async def test_combined_rooms_come_into_their_modes_in_one_change(services: Services, driver: MemoryDriver) -> None:
    record = await done(services, recall("combined", "foyer"))
    assert record.plan.scope == "foyer in mode combined, weir-hall in mode combined"
    assert record.plan.then.modes == {"foyer": "combined", "weir-hall": "combined"}
    assert modes_of(services) == {"foyer": "combined", "weir-hall": "combined"}
    assert levels_db(driver) == {"box-1": -8, "box-2": -8, "box-3": -12, "box-4": -9, "box-5": -9}
    assert any(note.startswith("weir-hall comes into mode combined") for note in record.plan.notes)
    await done(services, Asked(kind="rollback", change=record.id))
    assert modes_of(services) == {"foyer": "house", "weir-hall": "house"}
    assert levels_db(driver)["box-4"] == -10


async def test_combined_rooms_both_stay_as_they_were_where_a_box_fails(store: Store) -> None:
    class FailingAtLast(StagingDriver):
        async def commit(self, description, change, phase, expect, epoch, *, revert_after_ms=None):  # type: ignore[no-untyped-def]
            if description.id == "box-5" and self.failing and phase is Phase.SET:
                raise Refused("it does not want to")
            return await super().commit(description, change, phase, expect, epoch, revert_after_ms=revert_after_ms)

        failing = False

    driver = FailingAtLast(boxes())
    services = await opened(store, driver)
    await services.desired.load(FILES_WITH_MODES, "ines")
    for room in ("weir-hall", "foyer"):
        await done(services, apply(room))
    before = all_sound(driver)
    driver.failing = True
    record = await ended(services, (await begun(services, recall("combined"), allow=EVERY_GUARD)).id)
    assert record.state is ChangeState.ROLLED_BACK
    assert all_sound(driver) == before
    assert modes_of(services) == {"foyer": "house", "weir-hall": "house"}
    assert await store.standing(RoomMode) == {}
    await services.close()


async def test_a_dead_box_of_a_combined_room_is_left_out_and_named(services: Services, driver: MemoryDriver) -> None:
    driver.devices["box-4"].online = False
    driver.touched("box-4")
    await hear_all(services, driver)
    record = await done(services, recall("combined"))
    assert [(x.room, x.position, x.unable) for x in record.plan.left_out] == [("foyer", "desk", True)]
    assert modes_of(services) == {"foyer": "combined", "weir-hall": "combined"}


async def test_rooms_are_not_combined_where_one_is_wholly_dead(services: Services, driver: MemoryDriver) -> None:
    for name in ("box-4", "box-5"):
        driver.devices[name].online = False
        driver.touched(name)
    await hear_all(services, driver)
    with pytest.raises(Refused, match=r"no box of foyer can take part in mode combined: desk: .*; door: ") as refused:
        await services.changes.plan(recall("combined"))
    assert set(refused.value.unable) == {"box-4", "box-5"}
    assert modes_of(services) == {"foyer": "house", "weir-hall": "house"}


async def test_a_room_on_hold_is_not_combined_either(services: Services) -> None:
    await services.holds.hold("foyer", "2h", "mara")
    plan = await services.changes.plan(recall("combined"))
    assert [(g.guard, g.may_allow) for g in plan.guards if g.guard == "hold"] == [("hold", False)]


async def test_leaving_a_combined_mode_takes_the_other_room_out_of_it(services: Services, driver: MemoryDriver) -> None:
    await done(services, recall("combined"))
    record = await done(services, recall("night"))
    assert record.plan.then.modes == {"foyer": "house", "weir-hall": "night"}
    assert any(note.startswith("foyer comes into mode house") for note in record.plan.notes)
    assert levels_db(driver)["box-4"] == -10


async def test_a_mode_may_say_where_the_other_room_goes_when_they_part(
    services: Services, driver: MemoryDriver
) -> None:
    await done(services, recall("combined"))
    record = await done(services, recall("divided"))
    assert record.plan.then.modes == {"foyer": "quiet", "weir-hall": "divided"}
    assert levels_db(driver)["box-4"] == -30


async def test_a_rollback_does_not_leave_a_combined_room_alone(services: Services) -> None:
    night = await done(services, recall("night"))
    await done(services, recall("combined"))
    with pytest.raises(Refused, match="weir-hall is in mode combined together with foyer now"):
        await services.changes.plan(Asked(kind="rollback", change=night.id))


@pytest.mark.parametrize(
    ("asked", "error", "words"),
    [
        (recall("nigth"), NotFound, "weir-hall has no mode 'nigth'"),
        (recall("night", "attic"), NotFound, "no room 'attic'"),
        (recall("night", group="mains"), BadInput, "a mode is of a whole room"),
        (recall("night", position="fill"), BadInput, "a mode is of a whole room"),
        (replace(recall("night"), kind="apply"), BadInput, "a mode cannot go with apply"),
        (
            replace(recall("combined"), modes={"weir-hall": "combined", "foyer": "quiet"}),
            BadInput,
            "foyer cannot be in mode quiet and in mode combined at once",
        ),
    ],
)
async def test_what_cannot_be_asked_for_is_refused_in_words(
    services: Services, asked: Asked, error: type[Exception], words: str
) -> None:
    with pytest.raises(error, match=words):
        await services.changes.plan(asked)


async def test_a_mode_that_the_files_lose_counts_as_none_and_is_told_once(services: Services) -> None:
    await done(services, recall("night"))
    await services.desired.load(FILES, "ines", allow=["older"])
    assert modes_of(services)["weir-hall"] == "house"
    for _ in range(2):
        await services.lost_modes.tick()
    (notice,) = [one for one in await services.notices.recent() if one.kind == "mode"]
    assert notice.words == ("weir-hall was in mode night, which its file no longer has: it counts as in no mode now")
    assert (notice.room, notice.way_out) == ("weir-hall", "fleet recall weir-hall")
    standing = (await services.store.standing(RoomMode))["weir-hall"]
    assert (standing.mode, standing.who) == ("house", BY_FILES)


async def test_apply_goes_by_the_mode_in_force(services: Services, driver: MemoryDriver) -> None:
    await done(services, recall("night"))
    plan = await services.changes.plan(apply())
    assert (plan.scope, plan.devices) == ("weir-hall in mode night", ())
    assert plan.then.modes == {}
    assert levels_db(driver)["box-1"] == -20


async def test_a_room_in_a_mode_is_not_captured_as_what_it_is_without(services: Services) -> None:
    await done(services, recall("night"))
    with pytest.raises(BadInput, match="weir-hall is in mode night, but a capture writes the room without modes"):
        await services.capturing.plan(AskedCapture(room="weir-hall", devices=("box-1",)), "ines")
