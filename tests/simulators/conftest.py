"""A broker of each kind, simulators beside it, and a controller on it."""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterator

import pytest
from raw_wire import DEVICES, Run, Wire, controller, simulators

from tests.brokers import embedded_broker, mosquitto


@pytest.fixture(scope="module", params=["embedded", "mosquitto"])
def broker_port(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    start = embedded_broker if request.param == "embedded" else mosquitto
    with start(tmp_path_factory.mktemp("broker")) as port:
        yield port


@pytest.fixture(scope="module")
def run(broker_port: int, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Run]:
    """One device of each model, a process each."""
    venue = tmp_path_factory.mktemp("venue")
    (venue / "devices.yaml").write_text(DEVICES, encoding="utf-8")
    with simulators(broker_port, "--venue", str(venue), "--no-announce") as running:
        yield running


@pytest.fixture
async def wire(run: Run) -> AsyncIterator[Wire]:
    async with controller(run.port) as connected:
        connected.epoch = (await connected.state("full"))["epoch"]
        yield connected
