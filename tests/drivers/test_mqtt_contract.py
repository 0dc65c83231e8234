"""The MQTT driver keeps the drivers' contract, with devices that stage and with devices that do not."""

from __future__ import annotations

import itertools
import time
from collections.abc import AsyncIterator
from random import Random

import pytest
from brokers import BROKERS, running
from contract import Bench, DriverContract, heard
from samples import STAGING, description_message
from scripted_device import ScriptedDevice

from fleet.drivers.mqtt.broker import BrokerAddress
from fleet.drivers.mqtt.driver import MqttDriver
from fleet.drivers.mqtt.timings import Timings
from fleet.drivers.protocol import LinkUp
from fleet.model.description import Description
from fleet.model.edge import parse

ROOT = "loudspeakers/v1"
QUICK = Timings(repeat_after_s=0.25, attempts=3, backoff_first_s=0.02, backoff_most_s=0.1, drain_s=3)


def new_driver(address: BrokerAddress, timings: Timings = QUICK) -> MqttDriver:
    numbers = itertools.count(1)
    return MqttDriver(
        address,
        ROOT,
        "fleet-test",
        new_id=lambda: f"r-{next(numbers)}",
        clock=time.monotonic,
        random=Random(1),
        timings=timings,
    )


class MqttContract(DriverContract):
    features: tuple[str, ...]

    @pytest.fixture(params=BROKERS)
    async def bench(self, request: pytest.FixtureRequest) -> AsyncIterator[Bench]:
        async with running(request.param) as address:
            device = ScriptedDevice("box-1", ROOT, self.features)

            async def silence() -> None:
                device.deaf = True

            async with device.on(address.port), new_driver(address) as driver:
                await heard(driver, LinkUp)
                description = parse(Description, description_message("box-1", self.features))
                yield Bench(driver, description, silence)


class TestStagingDevices(MqttContract):
    features = STAGING


class TestPlainDevices(MqttContract):
    features = ()
