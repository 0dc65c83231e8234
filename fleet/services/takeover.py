"""Taking over: a database whose fencing number devices refuse is raised above the highest that they know."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from dataclasses import dataclass

from fleet.errors import BrokerDown
from fleet.services.desired import Desired
from fleet.services.inventory import Inventory
from fleet.services.outlook import Lookout
from fleet.store.protocol import Store

log = logging.getLogger(__name__)

HIGHEST_EPOCH = 2**48
"""No database counts this far. A device that tells of more is broken or lies, and the wire ends at 2**53."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Epochs:
    """The database's epoch, and what devices know.

    `above` maps devices that know a higher one to it: they refuse this database. `answered` is how many devices were
    read; `unsure` maps those whose epoch is not known for certain to the reason: what they last told counts.
    """

    epoch: int
    above: Mapping[str, int]
    answered: int
    unsure: Mapping[str, str]

    @property
    def wanted(self) -> int:
        """The epoch with which this database is let in by each of these devices."""
        return max((self.epoch, *(known + 1 for known in self.above.values())))


class TakeOver:
    """Looks at what epoch devices know, and raises the database's above it."""

    def __init__(self, store: Store, inventory: Inventory, desired: Desired, lookout: Lookout) -> None:
        self._store = store
        self._inventory = inventory
        self._desired = desired
        self._lookout = lookout

    async def look(self) -> Epochs:
        """What every device knows, read afresh. One that serves life safety is sent nothing: what it told counts.

        Raises `BrokerDown` where no link is up.
        """
        if trouble := self._inventory.link_trouble:
            raise BrokerDown(f"the devices cannot be reached: {trouble}", remedy="The daemon tries again by itself.")
        version = self._desired.version
        left_alone = {p.device for p in version.venue.positions() if p.life_safety} if version else set()
        reported, unsure = await self._lookout.read(set(self._inventory.descriptions()) - left_alone)
        told = {record.id: self._inventory.known(record.id).state for record in self._inventory.records()}
        known = {device: state.epoch for device, state in sorted(told.items()) if state is not None}
        known |= {device: one.state.epoch for device, one in reported.items()}
        for device, number in known.items():
            if number >= HIGHEST_EPOCH:
                unsure[device] = f"tells of epoch {number}, which no database reaches: it is not believed"
        epoch = await self._store.epoch()
        above = {device: number for device, number in known.items() if epoch < number < HIGHEST_EPOCH}
        return Epochs(epoch=epoch, above=above, answered=len(reported), unsure=dict(sorted(unsure.items())))

    async def take(self, who: str) -> Epochs:
        """Raise the database's epoch by one above the highest that any device knows; what was found before.

        From then on devices refuse whatever database commanded them. Does nothing where no device knows a higher one.
        """
        found = await self.look()
        if found.above:
            await self._store.set_epoch(found.wanted)
            words = "%s took over: epoch %d after %d, above what %d devices knew"
            log.warning(words, who, found.wanted, found.epoch, len(found.above))
        return found
