"""What every driver must do, whatever it talks to. A driver's tests subclass this and give a `bench`."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, replace
from typing import TypeVar

import pytest

from fleet.drivers.protocol import Described, Driver, Event, SlotsHeard, StateHeard
from fleet.errors import BadInput, DeviceRefused, DeviceSilent
from fleet.model.description import Description
from fleet.model.plan import Phase, Work
from fleet.model.settings import Band, Crossover, DeviceSettings, OutputSettings, SlotContents

E = TypeVar("E")

EPOCH = 3
BELL = Band(shape="bell", frequency_hz=2500.0, gain_db=-2.0, q=1.4)
WISHES = OutputSettings(
    level_db=-6.3,
    mute=True,
    polarity="inverted",
    delay_ms=12.34,
    eq=(BELL, Band(shape="low_shelf", frequency_hz=90.0, gain_db=3.54, q=0.707)),
    high_pass=Crossover(family="linkwitz_riley", slope_db_per_octave=24, frequency_hz=90.4),
)


@dataclass
class Bench:
    """A driver with one device behind it, and a way to make that device silent."""

    driver: Driver
    description: Description
    silence: Callable[[], Awaitable[None]]


async def heard(driver: Driver, kind: type[E], wanted: Callable[[E], bool] = lambda _: True) -> E:
    """The first event of a kind that is wanted; the time limit is only there so that a failure ends."""

    async def wait() -> E:
        async for event in driver.events():
            if isinstance(event, kind) and wanted(event):
                return event
        raise AssertionError("the driver closed")

    async with asyncio.timeout(10):
        return await wait()


def level(level_db: float) -> dict[Phase, Work]:
    return {Phase.SET: Work(settings=DeviceSettings(outputs={1: OutputSettings(level_db=level_db)}))}


class DriverContract:
    """Every driver passes these."""

    async def test_census_hands_out_what_the_device_tells(self, bench: Bench) -> None:
        assert bench.description.id in await bench.driver.census()
        waiting: set[type[Event]] = {Described, StateHeard, SlotsHeard}
        async for event in bench.driver.events():
            assert getattr(event, "device", bench.description.id) == bench.description.id
            waiting.discard(type(event))
            if not waiting:
                break

    async def test_reading_after_a_commit_shows_it(self, bench: Bench) -> None:
        driver, device = bench.driver, bench.description
        wanted = driver.representable(device, DeviceSettings(outputs={1: WISHES}))
        before = await driver.read(device)
        await driver.prepare(device, "c-1", {Phase.SET: Work(settings=wanted)}, before.state.moment, EPOCH)
        assert (await driver.read(device)).state.live == before.state.live, "preparing must not sound"
        moment = await driver.commit(device, "c-1", Phase.SET, before.state.moment, EPOCH)
        after = await driver.read(device)
        assert after.state.moment == moment
        live = after.state.live.outputs[1]
        want = wanted.outputs[1]
        assert live.eq is not None
        assert want.eq is not None
        assert [b.q for b in live.eq] == pytest.approx([b.q for b in want.eq], rel=1e-9)
        assert driver.representable(device, DeviceSettings(outputs={1: live.only(want.given())})) == wanted
        assert after.state.mute_causes[1] == ("controller",)

    def test_representable_is_idempotent(self, bench: Bench) -> None:
        once = bench.driver.representable(bench.description, DeviceSettings(outputs={1: WISHES}))
        assert once.outputs[1].level_db == -6.5  # steps of 0.5 from -80, the nearest
        assert bench.driver.representable(bench.description, once) == once

    async def test_what_a_device_cannot_do_is_refused_before_it_sounds(self, bench: Bench) -> None:
        driver, device = bench.driver, bench.description
        with pytest.raises(BadInput, match="quadraphonic"):
            driver.representable(device, DeviceSettings(input="quadraphonic"))
        before = (await driver.read(device)).state
        for wish in (DeviceSettings(input="quadraphonic"), DeviceSettings(outputs={1: OutputSettings(level_db=40)})):
            with pytest.raises(DeviceRefused) as refusal:
                await driver.prepare(device, "c-1", {Phase.SET: Work(settings=wish)}, before.moment, EPOCH)
            assert refusal.value.code in ("unsupported", "out_of_range")
        assert (await driver.read(device)).state.live == before.live

    async def test_a_wrong_expectation_is_refused(self, bench: Bench) -> None:
        driver, device = bench.driver, bench.description
        start = (await driver.read(device)).state.moment
        await driver.prepare(device, "c-1", {**level(-3), Phase.UNMUTE: level(-4)[Phase.SET]}, start, EPOCH)
        await driver.commit(device, "c-1", Phase.SET, start, EPOCH)
        with pytest.raises(DeviceRefused) as refusal:
            await driver.commit(device, "c-1", Phase.UNMUTE, start, EPOCH)
        assert refusal.value.code == "wrong_revision"
        assert (await driver.read(device)).state.live.outputs[1].level_db == -3

    async def test_a_lower_epoch_is_refused(self, bench: Bench) -> None:
        driver, device = bench.driver, bench.description
        start = (await driver.read(device)).state.moment
        await driver.prepare(device, "c-1", level(-3), start, EPOCH)
        moment = await driver.commit(device, "c-1", Phase.SET, start, EPOCH)
        with pytest.raises(DeviceRefused) as refusal:
            await driver.commit(device, "c-1", Phase.SET, moment, EPOCH - 1)
        assert refusal.value.code == "stale_epoch"

    async def test_keep_may_be_repeated(self, bench: Bench) -> None:
        driver, device = bench.driver, bench.description
        start = (await driver.read(device)).state.moment
        contents = SlotContents(slot=5, name="house", outputs={1: OutputSettings(level_db=-9.0)})
        store = {Phase.STORE: Work(slot_contents=(contents,))}
        await driver.prepare(device, "c-1", {**level(-3), **store}, start, EPOCH)
        moment = await driver.commit(device, "c-1", Phase.SET, start, EPOCH)
        moment = await driver.commit(device, "c-1", Phase.STORE, moment, EPOCH)
        kept = await driver.keep(device, "c-1", EPOCH)
        assert await driver.keep(device, "c-1", EPOCH) == kept
        after = await driver.read(device)
        assert after.state.live.outputs[1].level_db == -3
        assert after.state.change is None
        stored = after.slots[5].outputs
        assert stored is None or stored[1].level_db == -9.0
        assert (stored is not None) == driver.abilities(device).readable_slots

    async def test_revert_returns_or_is_honestly_refused(self, bench: Bench) -> None:
        driver, device = bench.driver, bench.description
        start = (await driver.read(device)).state
        await driver.prepare(device, "c-1", level(-3), start.moment, EPOCH)
        await driver.commit(device, "c-1", Phase.SET, start.moment, EPOCH)
        if driver.abilities(device).stages:
            await driver.revert(device, "c-1", EPOCH)
            await driver.revert(device, "c-1", EPOCH)
            assert (await driver.read(device)).state.live == start.live
        else:
            with pytest.raises(DeviceRefused) as refusal:
                await driver.revert(device, "c-1", EPOCH)
            assert refusal.value.code == "unsupported"
            assert (await driver.read(device)).state.live.outputs[1].level_db == -3

    async def test_a_timer_is_promised_or_refused(self, bench: Bench) -> None:
        driver, device = bench.driver, bench.description
        start = (await driver.read(device)).state.moment
        await driver.prepare(device, "c-1", level(-3), start, EPOCH)
        if driver.abilities(device).revert_timer:
            await driver.commit(device, "c-1", Phase.SET, start, EPOCH, revert_after_ms=60_000)
        else:
            with pytest.raises(DeviceRefused) as refusal:
                await driver.commit(device, "c-1", Phase.SET, start, EPOCH, revert_after_ms=60_000)
            assert refusal.value.code == "unsupported"

    async def test_aborted_work_cannot_be_committed(self, bench: Bench) -> None:
        driver, device = bench.driver, bench.description
        start = (await driver.read(device)).state
        await driver.prepare(device, "c-1", level(-3), start.moment, EPOCH)
        await driver.abort(device, "c-1", EPOCH)
        await driver.abort(device, "c-1", EPOCH)
        with pytest.raises(DeviceRefused):
            await driver.commit(device, "c-1", Phase.SET, start.moment, EPOCH)
        assert (await driver.read(device)).state.live == start.live

    async def test_abort_after_a_commit_is_refused(self, bench: Bench) -> None:
        driver, device = bench.driver, bench.description
        start = (await driver.read(device)).state.moment
        await driver.prepare(device, "c-1", level(-3), start, EPOCH)
        await driver.commit(device, "c-1", Phase.SET, start, EPOCH)
        with pytest.raises(DeviceRefused) as refusal:
            await driver.abort(device, "c-1", EPOCH)
        assert refusal.value.code == "committed"

    async def test_a_commit_is_told_as_an_event(self, bench: Bench) -> None:
        driver, device = bench.driver, bench.description
        await driver.census()
        start = (await driver.read(device)).state.moment
        await driver.prepare(device, "c-1", level(-3), start, EPOCH)
        moment = await driver.commit(device, "c-1", Phase.SET, start, EPOCH)
        event = await heard(driver, StateHeard, lambda e: e.state.moment == moment)
        assert event.state.live.outputs[1].level_db == -3

    async def test_silence_is_an_error_in_time(self, bench: Bench) -> None:
        await bench.driver.read(bench.description)
        await bench.silence()
        with pytest.raises(DeviceSilent, match=bench.description.id):
            await bench.driver.read(bench.description)

    async def test_identify(self, bench: Bench) -> None:
        await bench.driver.identify(bench.description, 5)
        with pytest.raises(DeviceRefused):
            await bench.driver.identify(bench.description, 100)

    async def test_a_restart_is_a_new_boot(self, bench: Bench) -> None:
        driver, device = bench.driver, bench.description
        before = (await driver.read(device)).state
        with pytest.raises(DeviceRefused):
            await driver.restart(device, replace(before.moment, boot_id="another"), EPOCH)
        await driver.restart(device, before.moment, EPOCH)
        event = await heard(driver, StateHeard, lambda e: e.state.boot_id != before.boot_id)
        assert event.state.boot_count > before.boot_count
