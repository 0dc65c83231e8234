"""Mutes that are over by themselves (a hand at the panel, another box) are no more somebody's mute."""

from __future__ import annotations

from datetime import timedelta
from typing import Final

from fleet.model.standing import OurMute
from fleet.reconcile.muted import in_force
from fleet.services.changes import Changes
from fleet.services.desired import Desired
from fleet.services.inventory import Inventory
from fleet.store.protocol import Store

SINCE: Final = timedelta(seconds=2)
"""What a box told before, or just when it was muted, is no sign that it sounds again."""


class MutesOver:
    """Forgets the mutes whose positions sound again, as far as no change is at work there."""

    def __init__(self, *, store: Store, desired: Desired, inventory: Inventory, changes: Changes) -> None:
        self._store = store
        self._desired = desired
        self._inventory = inventory
        self._changes = changes

    async def tick(self) -> None:
        """Forget what is over."""
        held = self._changes.devices_in_change()
        for key, mute in list(self._desired.mutes.items()):
            if mute.device not in held and self._is_over(mute) and self._desired.mutes.get(key) is mute:
                await self._store.drop_standing(OurMute, key)
                self._desired.mutes = {k: m for k, m in self._desired.mutes.items() if m is not mute}

    def _is_over(self, mute: OurMute) -> bool:
        if self._desired.version is None:
            return False
        there = self._inventory.online(mute.device)
        if there and self._inventory.known(mute.device).record.last_seen <= mute.at + SINCE:
            return False
        last = self._inventory.reported(mute.device) if there else None
        return not in_force(mute, self._desired.venue(), last.state if last is not None else None)
