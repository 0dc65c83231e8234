"""The in-memory driver keeps the drivers' contract."""

from __future__ import annotations

import pytest
from contract import Bench, DriverContract, heard
from samples import described, memory_device

from fleet.drivers.memory import MemoryDriver
from fleet.drivers.protocol import StateHeard, WentOffline


class TestMemoryDriver(DriverContract):
    @pytest.fixture
    def bench(self) -> Bench:
        driver = MemoryDriver([memory_device("box-1")])

        async def silence() -> None:
            driver.devices["box-1"].online = False

        return Bench(driver, described("box-1"), silence)

    async def test_recall_puts_a_slot_live_and_leaves_mutes_alone(self, bench: Bench) -> None:
        from fleet.model.plan import Phase, Work
        from fleet.model.settings import DeviceSettings, OutputSettings

        driver, device = bench.driver, bench.description
        start = (await driver.read(device)).state.moment
        quiet = DeviceSettings(outputs={1: OutputSettings(level_db=-20, mute=True)})
        await driver.prepare(device, "c-1", {Phase.MUTE: Work(settings=quiet), Phase.RECALL: Work(recall=2)}, start, 0)
        moment = await driver.commit(device, "c-1", Phase.MUTE, start, 0)
        await driver.commit(device, "c-1", Phase.RECALL, moment, 0)
        state = (await driver.read(device)).state
        assert state.active_slot == 2
        assert state.live.outputs[1].level_db == 0
        assert state.live.outputs[1].mute is True


async def test_what_a_person_does_at_a_device_is_told() -> None:
    driver = MemoryDriver([memory_device("box-1")])
    device = driver.devices["box-1"]
    device.mute_causes[1] = ("panel",)
    driver.touched("box-1")
    event = await heard(driver, StateHeard, lambda e: e.state.moment.revision == 2)
    assert event.state.live.outputs[1].mute is True
    device.online = False
    driver.touched("box-1")
    assert (await heard(driver, WentOffline)).device == "box-1"
