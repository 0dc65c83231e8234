"""What the inventory has heard and not written yet: changed records, and sightings."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from fleet.model.inventory import DeviceRecord, Sighting
from fleet.store.protocol import Store

MOST_SIGHTINGS: Final = 20_000
"""That wait to be written; more of them say nothing new."""


class Unwritten:
    """Collects what is to be written, and writes it. What could not be written is written the next time."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._changed: set[str] = set()
        self._sightings: list[Sighting] = []

    def changed(self, device: str) -> None:
        """A device's record is another one."""
        self._changed.add(device)

    def sighted(self, sighting: Sighting) -> None:
        """A device was there."""
        if len(self._sightings) < MOST_SIGHTINGS:
            self._sightings.append(sighting)

    def forget(self, device: str) -> None:
        """Its record is not to be written any more."""
        self._changed.discard(device)

    async def write(self, record_of: Callable[[str], DeviceRecord]) -> None:
        """Write all that waits, with the records as they are now."""
        changed, self._changed = self._changed, set()
        try:
            if changed:
                await self._store.save_devices([record_of(device) for device in sorted(changed)])
        except BaseException:
            self._changed |= changed
            raise
        if sightings := tuple(self._sightings):
            await self._store.add_sightings(sightings)
            del self._sightings[: len(sightings)]
