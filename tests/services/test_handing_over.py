"""Gathering a hand-over: from one reading, of what was asked for, and refused where it could not be honest."""

from __future__ import annotations

from pathlib import Path

import pytest

from fleet.drivers.protocol import LinkDown
from fleet.errors import BrokerDown, Moved, NotFound, Refused
from fleet.model.settings import DeviceSettings, OutputSettings
from fleet.model.snapshot import Taken
from fleet.services.together import Services, wire
from tests.services.small_venue import FILES, FOYER, NOON, Ids, StagingDriver, boxes, opened, store_at


async def test_a_room_holds_that_room_and_the_venue_all(services: Services) -> None:
    room = await services.handing_over.gather("foyer", "ines")
    assert [row.device for row in room.schedule] == ["box-4", "box-5"]
    assert [sheet.name for sheet in room.rooms] == ["foyer"]
    assert {d.room for d in room.comparison.differences} == {"foyer"}
    venue = await services.handing_over.gather(None, "ines")
    assert [sheet.name for sheet in venue.rooms] == ["foyer", "weir-hall"]
    assert len(venue.schedule) == 6
    assert venue.walks == ()


async def test_it_compares_the_very_reading_that_the_snapshot_seals(tmp_path: Path) -> None:
    async with store_at(tmp_path) as store:
        driver = StagingDriver(boxes())
        services = await opened(store, driver)
        take = services.snapshots.take

        async def take_then_turn(who: str, note: str, *, taken: Taken) -> object:
            snapshot = await take(who, note, taken=taken)
            turned = driver.devices["box-4"]
            turned.live = DeviceSettings(outputs={1: OutputSettings(level_db=-17.0)}).over(turned.live)
            driver.touched("box-4")
            while not driver._queue.empty():
                services.inventory.hear(driver._queue.get_nowait())
            return snapshot

        services.snapshots.take = take_then_turn  # type: ignore[method-assign,assignment]
        pack = await services.handing_over.gather("foyer", "ines")
        found = {p.position: {line.setting: line for line in p.settings} for p in pack.rooms[0].positions}
        sealed = next(r for r in pack.snapshot.body.devices if r.state.id == "box-4").state
        assert (sealed.output(1).level_db, found["desk"]["level_db"].reported) == (-6.0, "-6 dB")
        now = services.inventory.reported("box-4")
        assert now is not None
        assert now.state.output(1).level_db == -17.0, "nobody has turned it meanwhile"
        await services.close()


async def test_devices_that_do_not_answer_are_in_it_as_not_read(tmp_path: Path) -> None:
    async with store_at(tmp_path) as store:
        driver = StagingDriver(boxes())
        services = await opened(store, driver)
        driver.devices["box-5"].online = False
        pack = await services.handing_over.gather("foyer", "ines")
        assert {row.device: row.read for row in pack.schedule} == {"box-4": True, "box-5": False}
        assert [n.position for n in pack.comparison.not_checked] == ["door"]
        assert {s.device: s.proof for s in pack.slots} == {"box-4": "not desired", "box-5": "not read"}
        assert pack.rooms[0].curves[0].positions == ("desk",)
        await services.close()


async def test_without_a_link_a_room_or_a_version_there_is_none(tmp_path: Path) -> None:
    async with store_at(tmp_path) as store:
        driver = StagingDriver(boxes())
        empty = wire(store=store, driver=driver, clock=lambda: NOON, new_id=Ids())
        with pytest.raises(Refused, match="no desired state"):
            await empty.handing_over.gather(None, "ines")
        services = await opened(store, driver)
        with pytest.raises(NotFound):
            await services.handing_over.gather("attic", "ines")
        services.inventory.hear(LinkDown(why="no broker"))
        with pytest.raises(BrokerDown, match="no broker"):
            await services.handing_over.gather("foyer", "ines")
        assert await services.snapshots.entries() == ()
        await services.close()


async def test_another_version_in_between_is_no_hand_over(tmp_path: Path) -> None:
    async with store_at(tmp_path) as store:
        services = await opened(store, StagingDriver(boxes()))
        take = services.snapshots.take

        async def load_and_take(who: str, note: str, *, taken: Taken) -> object:
            quieter = FOYER.replace("level_db: -10", "level_db: -20")
            await services.desired.load({**FILES, "rooms/foyer.yaml": quieter}, "jo")
            return await take(who, note, taken=taken)

        services.snapshots.take = load_and_take  # type: ignore[method-assign,assignment]
        with pytest.raises(Moved):
            await services.handing_over.gather("foyer", "ines")
        await services.close()
