"""Services that run a venue from day to day: what it does by itself, and whom it tells."""

from __future__ import annotations

from typing import Final

from fleet.services.bringing import Bringing
from fleet.services.contacts import Contacts
from fleet.services.delivering import Delivering
from fleet.services.deviations import Deviations
from fleet.services.guest_rooms import GuestRooms
from fleet.services.guests import Guests
from fleet.services.level_ends import LevelEnds
from fleet.services.levels import Levels
from fleet.services.lost_modes import LostModes
from fleet.services.mutes_over import MutesOver
from fleet.services.recalling import ModeRecaller
from fleet.services.repairing import Repairing
from fleet.services.scheduling import Scheduling
from fleet.services.together_ground import Given
from fleet.services.together_proving import Proving
from fleet.services.watching import Watching


class DailyRunning(Proving):
    """All that, and drift, modes and levels, guests and agreed deviations, repairs and notices."""

    def __init__(self, given: Given) -> None:
        super().__init__(given)
        self.watching: Final = Watching(
            store=self.store,
            inventory=self.inventory,
            desired=self.desired,
            lookout=self.lookout,
            changes=self.changes,
            notices=self.notices,
            guest_book=self.guest_book,
            clock=self.clock,
        )
        self.bringing: Final = Bringing(
            store=self.store,
            desired=self.desired,
            notices=self.notices,
            in_use=self.in_use,
            recaller=ModeRecaller(self.changes),
            clock=self.clock,
        )
        self.scheduling: Final = Scheduling(
            store=self.store,
            inventory=self.inventory,
            desired=self.desired,
            bringing=self.bringing,
            clock=self.clock,
        )
        self.contacts: Final = Contacts(
            store=self.store, desired=self.desired, notices=self.notices, bringing=self.bringing, clock=self.clock
        )
        self.lost_modes: Final = LostModes(
            store=self.store, desired=self.desired, notices=self.notices, clock=self.clock
        )
        self.levels: Final = Levels(
            store=self.store,
            chosen=self.chosen,
            inventory=self.inventory,
            desired=self.desired,
            changes=self.changes,
            clock=self.clock,
        )
        self.level_ends: Final = LevelEnds(
            store=self.store,
            desired=self.desired,
            lookout=self.lookout,
            changes=self.changes,
            notices=self.notices,
            clock=self.clock,
        )
        self.mutes_over: Final = MutesOver(
            store=self.store, desired=self.desired, inventory=self.inventory, changes=self.changes
        )
        self.deviations: Final = Deviations(
            store=self.store,
            desired=self.desired,
            lookout=self.lookout,
            changes=self.changes,
            notices=self.notices,
            clock=self.clock,
            new_id=lambda: given.new_id("d"),
        )
        self.guests: Final = Guests(
            book=self.guest_book,
            rooms=GuestRooms(
                store=self.store,
                inventory=self.inventory,
                desired=self.desired,
                lookout=self.lookout,
                snapshots=self.snapshots,
                notices=self.notices,
            ),
            desired=self.desired,
            lookout=self.lookout,
            snapshots=self.snapshots,
            changes=self.changes,
            in_use=self.in_use,
            clock=self.clock,
            new_id=lambda: given.new_id("g"),
        )
        self.repairing: Final = Repairing(
            store=self.store,
            desired=self.desired,
            inventory=self.inventory,
            watching=self.watching,
            changes=self.changes,
            in_use=self.in_use,
            notices=self.notices,
            clock=self.clock,
            new_id=lambda: given.new_id("c"),
        )
        self.delivering: Final = Delivering(
            store=self.store,
            desired=self.desired,
            notices=self.notices,
            receivers=given.receivers,
            clock=self.clock,
        )
