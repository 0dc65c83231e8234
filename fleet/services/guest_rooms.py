"""Rooms of guest sessions: how they are now beside how they were before, and what is told of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from fleet.model.days import HOUSE_MODE
from fleet.model.guest import GuestSession
from fleet.model.names import Name
from fleet.model.plan import Plan
from fleet.model.state import Reported
from fleet.model.venue import Position
from fleet.reconcile.guests import Leftovers, leftovers, plan_put_back
from fleet.reconcile.outlook import Outlook
from fleet.services.desired import Desired
from fleet.services.found_then import found_then
from fleet.services.inventory import Inventory
from fleet.services.notices import Notices
from fleet.services.outlook import Lookout
from fleet.services.snapshots import Snapshots
from fleet.store.protocol import Store


class GuestRooms:
    """Looks at rooms of guest sessions."""

    def __init__(
        self,
        *,
        store: Store,
        inventory: Inventory,
        desired: Desired,
        lookout: Lookout,
        snapshots: Snapshots,
        notices: Notices,
    ) -> None:
        self._store = store
        self._inventory = inventory
        self._desired = desired
        self._lookout = lookout
        self._snapshots = snapshots
        self._notices = notices

    def there(self, session: GuestSession) -> bool:
        """Whether the files in force have the room."""
        return self._desired.version is not None and session.room in self._desired.venue().rooms

    def positions(self, session: GuestSession) -> tuple[Position, ...]:
        """The positions of its room by name, without those that serve life safety."""
        room = self._desired.venue().rooms[session.room]
        return tuple(p for _, p in sorted(room.positions.items()) if not p.life_safety)

    def mode_of(self, room: str) -> Name:
        """The mode that a room is in."""
        stands = self._desired.modes.get(room)
        return HOUSE_MODE if stands is None else stands.mode

    def last_told(self, positions: tuple[Position, ...]) -> dict[str, Reported]:
        """What devices that are there last told, by device."""
        told = {p.device: self._inventory.reported(p.device) for p in positions if self._inventory.online(p.device)}
        return {device: reported for device, reported in told.items() if reported is not None}

    def all_there(self, session: GuestSession, names: tuple[Name, ...]) -> bool:
        """Whether the devices of these positions all tell that they are there."""
        return all(self._inventory.online(p.device) for p in self.positions(session) if p.name in names)

    async def left(self, session: GuestSession) -> Leftovers:
        """What is not as it was before, freshly read. Raises `BrokerDown`."""
        outlook, then = await self._look(session)
        return leftovers(outlook, session, then, self.mode_of(session.room))

    async def plan(self, session: GuestSession) -> Plan:
        """What would bring it back, freshly read. Raises `BrokerDown`, `Refused`."""
        outlook, then = await self._look(session)
        return plan_put_back(outlook, session, then, self.mode_of(session.room))

    async def tell(
        self, session: GuestSession, words: str, positions: tuple[Name, ...] = (), way_out: str = ""
    ) -> None:
        """Give a notice about a session, which is written down with it as it is told of."""
        devices = sorted({p.device for p in self.positions(session) if p.name in positions})
        notice = self._notices.about("guest", words, room=session.room)
        told = replace(notice, positions=positions, devices=tuple(devices), since=session.began, way_out=way_out)
        await self._notices.give(told, beside={session.id: session})

    async def _look(self, session: GuestSession) -> tuple[Outlook, Mapping[str, Reported]]:
        """The room as it is, beside the mode that stood; and what was found before the guest."""
        outlook = await self._lookout.look({p.device for p in self.positions(session)}, {session.room: session.mode})
        snapshot = await self._snapshots.get(session.snapshot)
        return outlook, await found_then(self._store, snapshot, outlook.venue.rooms[session.room])
