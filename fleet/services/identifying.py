"""Identifying: a device blinks, so that a person finds it."""

from __future__ import annotations

from fleet.drivers.protocol import Driver
from fleet.errors import NotFound, Refused
from fleet.services.desired import Desired
from fleet.services.inventory import Inventory


class Identifying:
    """Lets devices blink; not those that are not to be addressed at all."""

    def __init__(self, driver: Driver, inventory: Inventory, desired: Desired) -> None:
        self._driver = driver
        self._inventory = inventory
        self._desired = desired

    async def identify(self, device: str, seconds: int) -> None:
        """Let a device blink. Raises `NotFound`, `Refused` where it is not to be addressed, or the device's error."""
        known = self._inventory.known(device)
        if words := self._inventory.conflicts().get(device):
            raise Refused(f"{device} is conflicting: {words}", remedy="Accept it first, if it is the right one.")
        if known.record.description is None:
            raise NotFound(f"{device} has not told what it is", remedy="Wait until it is reachable.")
        version = self._desired.version
        if version is not None and any(p.life_safety for p in version.venue.positions_of(device)):
            raise Refused(f"{device} serves life safety: this tool sends it nothing", guards=("life-safety",))
        await self._driver.identify(known.record.description, seconds)
