"""The questions of the drift watch: devices that told nothing for long are asked, and doubtful ones again."""

from __future__ import annotations

import asyncio
from collections.abc import Collection
from datetime import datetime, timedelta
from typing import Final

from fleet.model.episode import Episode
from fleet.services.changes import Changes
from fleet.services.inventory import Inventory
from fleet.services.outlook import Lookout
from fleet.tasks import end

RESYNC_EVERY: Final = timedelta(minutes=10)
SILENT_FOR: Final = timedelta(minutes=5)
"""What a device tells by itself can be lost, and one that hangs tells nothing: after so long it is asked."""
AGAIN_EVERY: Final = timedelta(seconds=20)
"""How often a device is asked that left a question unanswered, until it answers."""


class WatchAsking:
    """Asks devices in the background; what they answer, and that they do not, the inventory hears."""

    def __init__(self, inventory: Inventory, lookout: Lookout, changes: Changes) -> None:
        self._inventory = inventory
        self._lookout = lookout
        self._changes = changes
        self._resynced: datetime | None = None
        self._again: datetime | None = None
        self._asking: asyncio.Task[object] | None = None

    def resync_due(self, now: datetime) -> bool:
        """Whether all devices are to be looked at again; once each time it is due."""
        if self._resynced is not None and now - self._resynced < RESYNC_EVERY:
            return False
        self._resynced = now
        return True

    def take_up(self, episodes: Collection[Episode]) -> None:
        """Devices that did not answer when the last daemon stopped have to prove that they do."""
        for episode in episodes:
            if episode.kind == "unreachable" and episode.present:
                self._inventory.answers.take_up(episode.device, episode.last_seen or episode.since, episode.since)

    def ask(self, devices: Collection[str], now: datetime, *, resync: bool) -> None:
        """Ask those of these devices that there is doubt about, and at a resync those that told nothing for long."""
        again = self._again is None or now - self._again >= AGAIN_EVERY
        busy = self._asking is not None and not self._asking.done()
        if busy or self._inventory.link_trouble or not (resync or again):
            return
        self._again = now
        answers, held = self._inventory.answers, self._changes.devices_in_change()

        def silent(device: str) -> bool:
            told = answers.last_told(device)
            return resync and told is not None and now - told >= SILENT_FOR

        there = (d for d in devices if d not in held and self._inventory.online(d))
        if asked := [d for d in there if answers.doubtful(d) or silent(d)]:
            self._asking = asyncio.create_task(self._lookout.read(asked), name="asking silent devices")

    async def close(self) -> None:
        """Ask no device any more."""
        if self._asking is not None:
            await end(self._asking)
