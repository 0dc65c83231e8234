"""When the slots of devices were last written, and from when on they may be again by their model's allowance."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from fleet.model.standing import SlotsWritten
from fleet.model.venue_time import clock_time
from fleet.services.desired import Desired
from fleet.services.inventory import Inventory
from fleet.store.protocol import Store


class SlotWrites:
    """Knows how lately slots were written, by what every kept change left in the store."""

    def __init__(self, store: Store, inventory: Inventory, desired: Desired, clock: Callable[[], datetime]) -> None:
        self._store = store
        self._inventory = inventory
        self._desired = desired
        self._clock = clock

    async def too_soon(self) -> Mapping[str, str]:
        """Devices whose slots may not be written again yet, with when they were and when they may be, in words."""
        now, descriptions = self._clock(), self._inventory.descriptions()
        zone = ZoneInfo(self._desired.venue().time_zone)
        words: dict[str, str] = {}
        for device, written in (await self._store.standing(SlotsWritten)).items():
            interval_s = descriptions[device].slots.store_interval_s if device in descriptions else 0.0
            allowed = written.at + timedelta(seconds=interval_s)
            if written.at <= now < allowed:
                words[device] = (
                    f"were written at {clock_time(written.at, zone, now, 'seconds')} and may be again "
                    f"from {clock_time(_whole_second(allowed), zone, now, 'seconds')} on"
                )
        return words


def _whole_second(at: datetime) -> datetime:
    """The next whole second, so that what is said to be allowed is."""
    return at if not at.microsecond else at.replace(microsecond=0) + timedelta(seconds=1)
