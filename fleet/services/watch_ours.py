"""What our own changes do is no drift: the drift watch waits for their ends, and for devices that tell it late."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from datetime import datetime, timedelta
from typing import Final

from fleet.model.change import ChangeRecord
from fleet.reconcile.drift_facts import Reason
from fleet.services.changes import Changes
from fleet.services.inventory import Inventory

OURS_FOR: Final = timedelta(seconds=1.5)
"""A device may tell for so long after the end of a change what the change did."""


class WatchOurs:
    """The devices of changes that run, have just ended, or ended before this daemon began."""

    def __init__(
        self,
        changes: Changes,
        inventory: Inventory,
        clock: Callable[[], datetime],
        rooms_of: Callable[[Collection[str]], frozenset[str]],
    ) -> None:
        self._changes = changes
        self._inventory = inventory
        self._clock = clock
        self._rooms_of = rooms_of
        self._ours: dict[str, datetime | None] = {}
        """Devices of a change, and when it ended."""
        self._left: set[str] = set()
        """Devices of a change that ended before this daemon began, which nobody has looked at since."""
        self._ended: dict[str, str] = {}
        """By room, the last change that ended."""
        changes.listen(self._moved)

    async def take_up(self, looked_after: Callable[[str, str], bool]) -> None:
        """Know of the changes that a daemon before this one ended; of a room and a change whether it looked then."""
        for record in await self._changes.records():
            devices = {plan.device for plan in record.plan.devices}
            for room in self._rooms_of(devices) if record.state.ended else ():
                if self._ended.setdefault(room, record.id) == record.id:
                    self._left |= set() if looked_after(room, record.id) else devices

    def just_ended(self) -> dict[str, datetime]:
        """Devices of changes that have ended and were not looked at since, and when that was."""
        return {device: ended for device, ended in self._ours.items() if ended is not None}

    def done_with(self, devices: Collection[str], now: datetime) -> list[str]:
        """Those of these devices that are in no change, and do not tell any more what one did; in order."""
        held, ended = self._changes.devices_in_change(), self.just_ended()
        return sorted(d for d in devices if d not in held and (d not in ended or now - ended[d] >= OURS_FOR))

    def reasons(self, told: Mapping[str, datetime]) -> dict[str, Reason]:
        """Those of the devices that are looked at now whose differences a change left; `told` is when each told them.

        They are ours no longer from here on.
        """
        reasons: dict[str, Reason] = {}
        for device, at in told.items():
            ended = self._ours.pop(device, None)
            if ended is not None and at <= ended + OURS_FOR and not self._at_its_panel(device):
                reasons[device] = "change"
            if device in self._left and self._inventory.online(device):
                self._left.remove(device)
                reasons[device] = "change"
        return reasons

    def looked_after(self) -> dict[str, str]:
        """By room, the last change whose devices were all looked at after its end."""
        waiting = self._rooms_of({*self._ours, *self._left})
        return {room: change for room, change in self._ended.items() if room not in waiting}

    def _moved(self, record: ChangeRecord) -> None:
        ended = self._clock() if record.state.ended else None
        devices = [plan.device for plan in record.plan.devices]
        self._ours.update(dict.fromkeys(devices, ended))
        if record.state.ended:
            self._ended.update(dict.fromkeys(self._rooms_of(devices), record.id))

    def _at_its_panel(self, device: str) -> bool:
        """Whether a device hints that what it told last was done by a hand."""
        state = self._inventory.known(device).state if self._inventory.online(device) else None
        return state is not None and state.cause == "panel"
