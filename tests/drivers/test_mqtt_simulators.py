"""The driver with the simulated devices of every model: what is committed is read back, and taken back or kept."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import AsyncIterator

import pytest
from brokers import running
from contract import EPOCH, heard
from test_mqtt_contract import ROOT, new_driver

from fleet.drivers.mqtt.driver import MqttDriver
from fleet.drivers.mqtt.timings import Timings
from fleet.drivers.protocol import Described, LinkUp
from fleet.model.description import Description
from fleet.model.plan import Phase, Work
from fleet.model.settings import Band, DeviceSettings, OutputSettings
from fleet.model.state import Reported

COUNT = 24


@pytest.fixture
async def driver() -> AsyncIterator[MqttDriver]:
    async with running("embedded") as address:
        simulators = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "simulators", "--count", str(COUNT), "--no-announce", "--root", ROOT),
            *("--broker", f"{address.host}:{address.port}"),
            stdout=asyncio.subprocess.PIPE,
        )
        try:
            assert simulators.stdout is not None
            async with asyncio.timeout(60):
                assert b"ready" in await simulators.stdout.readline()
            async with new_driver(address, Timings()) as driver:
                await heard(driver, LinkUp)
                yield driver
        finally:
            simulators.terminate()
            await simulators.wait()


def wishes(description: Description) -> DeviceSettings:
    """A quieter output 1, with a bell where it has an equaliser."""
    able = description.outputs[0].eq
    bell = Band(shape="bell", frequency_hz=100.0, gain_db=-3.0, q=2.0)
    eq = (bell,) if able is not None and able.bands and "bell" in able.shapes else None
    return DeviceSettings(outputs={1: OutputSettings(level_db=-11.7, mute=True, eq=eq)})


async def test_every_model_does_what_it_was_asked_and_says_so(driver: MqttDriver) -> None:
    devices = await driver.census()
    assert len(devices) == COUNT
    descriptions: dict[str, Description] = {}
    while len(descriptions) < COUNT:
        event = await heard(driver, Described)
        descriptions[event.device] = event.description
    assert {d.model for d in descriptions.values() if "stage" in d.features}
    assert {d.q_convention for d in descriptions.values()} == {"cookbook", "constant_q"}
    before = await asyncio.gather(*(driver.read(d) for d in descriptions.values()))
    await asyncio.gather(*(_there_and_back(driver, reported) for reported in before))


async def _there_and_back(driver: MqttDriver, before: Reported) -> None:
    description, start = before.description, before.state.moment
    wanted = driver.representable(description, wishes(description))
    await driver.prepare(description, "c-1", {Phase.SET: Work(settings=wanted)}, start, EPOCH)
    moment = await driver.commit(description, "c-1", Phase.SET, start, EPOCH)
    after = await driver.read(description)
    assert after.state.moment == moment
    live = after.state.live.outputs[1].only(wanted.outputs[1].given())
    assert driver.representable(description, DeviceSettings(outputs={1: live})) == wanted
    if driver.abilities(description).stages:
        await driver.revert(description, "c-1", EPOCH)
        assert (await driver.read(description)).state.live == before.state.live
    else:
        assert await driver.keep(description, "c-1", EPOCH) == moment
