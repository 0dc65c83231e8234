"""A census over a broker that drops what it was not able to queue, markers among it."""

from __future__ import annotations

import pytest

from fleet.drivers.mqtt.census import Sweep
from fleet.drivers.mqtt.timings import Timings
from fleet.drivers.mqtt.topics import SHARDS
from fleet.errors import BrokerDown

ROOT = "loudspeakers/v1"
QUICK = Timings(repeat_after_s=0.005, drain_s=0.2)


class Dropping:
    """Stands for a client of such a broker: takes subscriptions, and returns each marker from its nth writing on."""

    def __init__(self, nth: float) -> None:
        self.sweep = Sweep(self, ROOT, "fleet-test", QUICK)  # type: ignore[arg-type] # as much of a client as it uses
        self.shards: list[str] = []
        self._nth = nth
        self._written: dict[bytes, int] = {}

    async def subscribe(self, filters: str | list[tuple[str, int]], qos: int = 0) -> None:
        if isinstance(filters, list):
            self.shards += [one.split("/")[3] for one, _ in filters if one.endswith("/state")]

    async def publish(self, topic: str, payload: bytes, qos: int) -> None:
        self._written[payload] = self._written.get(payload, 0) + 1
        if self._written[payload] >= self._nth:
            self.sweep.heard(topic, payload)


async def test_a_marker_that_was_dropped_is_written_again() -> None:
    client = Dropping(nth=3)
    assert await client.sweep.run() == frozenset()
    assert client.shards == list(SHARDS)


async def test_a_broker_that_returns_no_marker_is_no_broker_to_work_with() -> None:
    with pytest.raises(BrokerDown, match="does not return what is written to loudspeakers/v1/controllers/fleet-test"):
        await Dropping(nth=float("inf")).sweep.run()
