"""Services that change something when a person asks: the files, the devices, what is known of them."""

from __future__ import annotations

from typing import Final

from fleet.services.binding import Binding
from fleet.services.capturing import Capturing
from fleet.services.changes import Changes
from fleet.services.checking import Checking
from fleet.services.editing import Editing
from fleet.services.history import History
from fleet.services.identifying import Identifying
from fleet.services.in_use import InUse
from fleet.services.power import Power
from fleet.services.rounds import Rounds
from fleet.services.swap_prospects import Prospects
from fleet.services.swapping import Swapping
from fleet.services.takeover import TakeOver
from fleet.services.together_ground import Given, Ground
from fleet.services.walking import Walking


class Changing(Ground):
    """The ground, and what is done to a venue each time somebody asks for it."""

    def __init__(self, given: Given) -> None:
        super().__init__(given)
        self.history: Final = History(self.store, self.driver, self.inventory, self.desired)
        self.checking: Final = Checking(self.driver, self.inventory, self.desired, self.clock)
        self.editing: Final = Editing(self.desired, self.checking, given.folder)
        self.identifying: Final = Identifying(self.driver, self.inventory, self.desired)
        self.take_over: Final = TakeOver(self.store, self.inventory, self.desired, self.lookout)
        self.changes: Final = Changes(
            store=self.store,
            driver=self.driver,
            inventory=self.inventory,
            desired=self.desired,
            lookout=self.lookout,
            clock=self.clock,
            new_id=lambda: given.new_id("c"),
        )
        self.changes.listen(self.chosen.changed)
        self.walking: Final = Walking(
            store=self.store,
            desired=self.desired,
            holds=self.holds,
            guest_book=self.guest_book,
            lookout=self.lookout,
            changes=self.changes,
            clock=self.clock,
            new_id=lambda: given.new_id("walk"),
        )
        self.in_use: Final = InUse(
            desired=self.desired,
            holds=self.holds,
            guest_book=self.guest_book,
            walking=self.walking,
            changes=self.changes,
        )
        self.binding: Final = Binding(self.inventory, self.desired, self.editing, self.in_use)
        self.capturing: Final = Capturing(
            self.driver, self.inventory, self.desired, self.lookout, self.editing, self.in_use, self.clock
        )
        self.rounds: Final = Rounds(
            changes=self.changes, desired=self.desired, clock=self.clock, new_id=lambda: given.new_id("round")
        )
        self.power: Final = Power(
            store=self.store,
            driver=self.driver,
            inventory=self.inventory,
            desired=self.desired,
            lookout=self.lookout,
            changes=self.changes,
            in_use=self.in_use,
            clock=self.clock,
            new_id=lambda: given.new_id("restart"),
        )
        self.swapping: Final = Swapping(
            store=self.store,
            inventory=self.inventory,
            editing=self.editing,
            lookout=self.lookout,
            changes=self.changes,
            prospects=Prospects(
                store=self.store,
                driver=self.driver,
                inventory=self.inventory,
                desired=self.desired,
                editing=self.editing,
                lookout=self.lookout,
                in_use=self.in_use,
                clock=self.clock,
            ),
            clock=self.clock,
            new_id=lambda: given.new_id("w"),
        )
