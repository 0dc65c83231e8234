"""Self-repair: a room that asks for it is put right by itself, in its hours, and never against a person."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import timedelta
from pathlib import Path

import pytest

from fleet.model.settings import DeviceSettings, OutputSettings
from fleet.store.protocol import Store
from tests.everyday.virtual_days import Days, days
from tests.services.small_venue import FILES, FOYER, HALL, NOON, StagingDriver, boxes, store_at

REPAIRS = FOYER + "on_drift: repair\nnobody_near: always\n"
MINUTE = timedelta(minutes=1)


FILES_WITH_REPAIRS = {**FILES, "rooms/foyer.yaml": REPAIRS, "rooms/weir-hall.yaml": HALL}


@asynccontextmanager
async def foyer_that_drifts(folder: Path) -> AsyncIterator[tuple[Store, StagingDriver]]:
    """A store, and the boxes of the small venue as they should be in the foyer."""
    devices = boxes()
    for box in devices:
        if box.description.id in ("box-4", "box-5"):
            box.live = DeviceSettings(outputs={1: OutputSettings(level_db=-10.0)}).over(box.live)
    async with store_at(folder) as store:
        yield store, StagingDriver(devices)


@asynccontextmanager
async def venue(folder: Path, foyer: str = REPAIRS) -> AsyncIterator[Days]:
    """The small venue as it should be, and the foyer with this file."""
    async with (
        foyer_that_drifts(folder) as (store, driver),
        days(store, driver, {**FILES_WITH_REPAIRS, "rooms/foyer.yaml": foyer}) as made,
    ):
        await made.go(MINUTE)
        made.notices.clear()
        yield made


def repairs(made: Days) -> list[str]:
    return [n.words for n in made.notices if n.kind == "repair"]


async def level_db(made: Days, device: str = "box-4") -> float | None:
    return made.driver.devices[device].live.outputs[1].level_db


async def test_drift_is_put_right_once_it_stands_and_told(tmp_path: Path) -> None:
    async with venue(tmp_path) as made:
        made.press("box-4", level_db=-14.0)
        await made.go(timedelta(seconds=20))
        assert await level_db(made) == -14.0, "the hand may not be done yet"
        await made.go(timedelta(seconds=40))
        assert await level_db(made) == -10.0
        assert [w.split(":")[0] for w in repairs(made)] == ["foyer"]
        (record, *_) = await made.services.changes.records()
        assert (record.who, record.state) == ("self-repair", "kept")


async def test_a_room_that_does_not_ask_is_only_reported(tmp_path: Path) -> None:
    async with venue(tmp_path, FOYER) as made:
        made.press("box-4", level_db=-14.0)
        await made.go(5 * MINUTE)
        assert await level_db(made) == -14.0
        assert [n.kind for n in made.notices] == ["drift"]


async def test_what_drifts_again_is_left_to_people(tmp_path: Path) -> None:
    async with venue(tmp_path) as made:
        made.press("box-4", level_db=-14.0)
        await made.go(2 * MINUTE)
        assert await level_db(made) == -10.0
        made.press("box-4", level_db=-14.0)
        await made.go(30 * MINUTE)
        assert await level_db(made) == -14.0
        told = repairs(made)
        assert len(told) == 2
        assert "drifted again" in told[1]


async def test_what_was_left_to_people_counts_anew_once_it_was_put_right(tmp_path: Path) -> None:
    async with venue(tmp_path) as made:
        for level in (-14.0, -14.0):  # the second one is left to people
            made.press("box-4", level_db=level)
            await made.go(2 * MINUTE, step=timedelta(seconds=10))
        made.press("box-4", level_db=-10.0)
        await made.go(timedelta(hours=25), step=timedelta(minutes=10))
        made.press("box-4", level_db=-14.0)
        await made.go(2 * MINUTE, step=timedelta(seconds=10))
        assert await level_db(made) == -10.0


async def test_never_on_hold_nor_outside_its_hours(tmp_path: Path) -> None:
    hours = FOYER + 'on_drift: repair\nnobody_near: {start: "15:00", until: "16:00"}\n'  # Berlin: 13:00 UTC
    async with venue(tmp_path, hours) as made:
        made.press("box-4", level_db=-14.0)
        await made.go(NOON + timedelta(minutes=59), step=MINUTE)
        assert await level_db(made) == -14.0
        await made.services.holds.hold("foyer", "2h", "tom")
        await made.go(NOON + timedelta(minutes=90), step=MINUTE)
        assert await level_db(made) == -14.0
        await made.services.holds.release("foyer")
        await made.go(5 * MINUTE, step=MINUTE)
        assert await level_db(made) == -10.0


async def test_a_guard_rail_is_never_lifted(tmp_path: Path) -> None:
    async with venue(tmp_path) as made:
        made.press("box-4", level_db=-30.0)  # back is a rise of 20 dB
        await made.go(10 * MINUTE, step=timedelta(seconds=10))
        assert await level_db(made) == -30.0
        (told,) = repairs(made)
        assert "rise" in told


async def test_it_waits_until_the_boxes_are_up(tmp_path: Path) -> None:
    pair = REPAIRS.replace("positions:", "groups: {pair: {together: true}}\npositions:").replace(
        "level_db: -10}", "level_db: -10, groups: [pair]}"
    )
    async with venue(tmp_path, pair) as made:
        made.power_off("box-5")
        made.press("box-4", level_db=-14.0)
        await made.go(5 * MINUTE, step=timedelta(seconds=10))
        assert await level_db(made) == -14.0, "the pair is put right together or not at all"
        made.power_on("box-5")
        await made.go(5 * MINUTE, step=timedelta(seconds=10))
        assert await level_db(made) == -10.0
        assert len(repairs(made)) == 1


@pytest.mark.parametrize("strikes", ["planned", "kept"])
async def test_a_daemon_that_is_killed_over_a_repair_tells_of_it_at_its_next_start(
    tmp_path: Path, strikes: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`planned`: before the change begins; `kept`: once it is kept and nothing was told."""
    async with foyer_that_drifts(tmp_path) as (store, driver):
        async with days(store, driver, FILES_WITH_REPAIRS) as made:
            await made.go(MINUTE)
            made.press("box-4", level_db=-14.0)
            await made.go(timedelta(seconds=20))

            async def die(*_: object, **__: object) -> None:
                raise asyncio.CancelledError

            monkeypatch.setattr(made.services.changes, {"planned": "begin", "kept": "wait"}[strikes], die)
            with pytest.raises(asyncio.CancelledError):
                await made.go(timedelta(seconds=40))
            await made.settle()
            assert repairs(made) == []
            assert await level_db(made) == {"planned": -14.0, "kept": -10.0}[strikes]
        async with days(store, driver, FILES_WITH_REPAIRS, start=NOON + 5 * MINUTE) as again:
            await driver.census()
            await again.go(5 * MINUTE)
            assert await level_db(again) == -10.0
            assert repairs(again) == ["foyer: 1 position put right by itself: desk"]
        async with days(store, driver, FILES_WITH_REPAIRS, start=NOON + 20 * MINUTE) as later:
            await driver.census()
            await later.go(5 * MINUTE)
            assert repairs(later) == [], "told once"
