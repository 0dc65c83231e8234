"""What wants storing again after a recall: seen once the recalled slots are active, since then they can be read."""

from __future__ import annotations

from dataclasses import dataclass

from fleet.model.change import ChangeRecord
from fleet.reconcile.agreed import left_as_agreed
from fleet.reconcile.scope import Place
from fleet.reconcile.store_again import offers, stale_slots
from fleet.services.desired import Desired
from fleet.services.outlook import Lookout


@dataclass(frozen=True, slots=True, kw_only=True)
class StoreAgain:
    """Positions whose slots do not hold what they should, and in words how to store them again."""

    places: tuple[Place, ...]
    words: tuple[str, ...]


async def store_again(lookout: Lookout, desired: Desired, record: ChangeRecord) -> StoreAgain:
    """By what the devices of a change tell now; a store leaves what is agreed, so that is not offered.

    Raises `BrokerDown`.
    """
    places = {place for part in record.plan.devices for place in part.positions} | set(record.plan.store_again)
    venue = desired.venue()
    devices = {
        p.device for room, name in places if room in venue.rooms and (p := venue.rooms[room].positions.get(name))
    }
    outlook = left_as_agreed(await lookout.look(devices))
    stale = stale_slots(outlook, places)
    return StoreAgain(places=stale, words=offers(outlook.venue, stale))
