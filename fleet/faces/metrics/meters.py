"""The meters, each with its unit in its name.

Source of the conventions: Prometheus documentation, "Metric and label naming" (base units, `_total` for counters).
"""

from __future__ import annotations

import math
import time

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, Info, ProcessCollector

from fleet import __version__
from fleet.model.change import ENDS, ChangeRecord
from fleet.model.once import Once

WRITE_BUCKETS_S = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0)


class Meters:
    """All meters of one daemon, in a registry of their own; those that count are moved where it happens."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        own = self.registry
        self.devices = Gauge("fleet_devices", "Devices, by status in the inventory.", ["status"], registry=own)
        self.rooms = Gauge("fleet_rooms", "Rooms, by what their devices last told.", ["state"], registry=own)
        self.episodes = Gauge(
            "fleet_episodes", "What is not as it should be by itself, by kind.", ["kind"], registry=own
        )
        self.unfinished = Gauge("fleet_changes_unfinished", "Changes not ended, by state.", ["state"], registry=own)
        self.link_up = Gauge("fleet_link_up", "1 while the devices' broker is connected.", registry=own)
        self.census_age = Gauge(
            "fleet_census_age_seconds", "Since the last whole census; NaN before the first.", registry=own
        )
        self._ended = Counter("fleet_changes_ended", "Changes that ended since the start.", ["state"], registry=own)
        self._links = Counter("fleet_broker_reconnects", "Times that the broker came back.", registry=own)
        self.store_write = Histogram(
            "fleet_store_write_duration_seconds",
            "How long a write to the database took until it was durable.",
            buckets=WRITE_BUCKETS_S,
            registry=own,
        )
        Info("fleet_build", "The release that runs.", registry=own).info({"version": __version__})
        ProcessCollector(registry=own)
        for state in ENDS:
            self._ended.labels(state.value)
        self._counted = Once()
        self._linked = False
        self._census_s = -math.inf

    def linked(self) -> None:
        """The broker is connected; the first time is no reconnect."""
        if self._linked:
            self._links.inc()
        self._linked = True

    def counted_devices(self) -> None:
        """A census is whole."""
        self._census_s = time.monotonic()

    def wrote(self, record: ChangeRecord) -> None:
        """A change was written; one that has ended counts once."""
        if record.state.ended and self._counted.first(record.id):
            self._ended.labels(record.state.value).inc()

    def since_census_s(self) -> float:
        """Seconds since the last census; NaN before the first."""
        return time.monotonic() - self._census_s if self._census_s > -math.inf else math.nan
