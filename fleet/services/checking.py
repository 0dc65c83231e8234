"""The design check over the version in force or over files, and against the devices the inventory knows."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from zoneinfo import ZoneInfo

from fleet.desired.check import check
from fleet.desired.finding import Checked
from fleet.desired.load import load
from fleet.drivers.protocol import Driver
from fleet.errors import BadInput
from fleet.model.description import Description
from fleet.model.settings import DeviceSettings
from fleet.model.venue import Position
from fleet.reconcile.fitted import target_fit
from fleet.services.desired import Desired
from fleet.services.inventory import Inventory


class Checking:
    """Finds mistakes before any sound is made."""

    def __init__(self, driver: Driver, inventory: Inventory, desired: Desired, clock: Callable[[], datetime]) -> None:
        self._driver = driver
        self._inventory = inventory
        self._desired = desired
        self._clock = clock

    def check(self, files: Mapping[str, str] | None = None) -> Checked:
        """What the checks find in these files, or in the version in force.

        Raises `BadFiles` with every mistake of the files, or `Refused` where nothing is loaded.
        """
        version = load(files) if files is not None else self._desired.in_force()
        today = self._clock().astimezone(ZoneInfo(version.venue.time_zone)).date()
        return check(version, self._inventory.descriptions(), self._problems, self._slot_names(), today)

    def _slot_names(self) -> dict[str, dict[int, str]]:
        told = {r.id: self._inventory.reported(r.id) for r in self._inventory.records()}
        return {d: {n: slot.name for n, slot in r.slots.items()} for d, r in told.items() if r is not None}

    def _problems(self, position: Position, description: Description) -> list[tuple[str, str]]:
        """What of a position's settings its device cannot be, setting by setting."""
        problems = []
        for name in position.fixed.given():
            asked = DeviceSettings(outputs={position.output: position.fixed.only([name])})
            problems += self._complaint(name, description, asked)
        for name in ("input", "panel_locked", "power_up_slot"):
            if getattr(position, name) is not None:
                asked = DeviceSettings(**{name: getattr(position, name)})
                problems += self._complaint(name, description, asked)
        try:
            target_fit(position, description)
        except BadInput as error:
            problems.append(("eq", str(error)))
        return problems

    def _complaint(self, name: str, description: Description, asked: DeviceSettings) -> list[tuple[str, str]]:
        try:
            self._driver.representable(description, asked)
        except BadInput as error:
            return [(name, str(error))]
        return []
