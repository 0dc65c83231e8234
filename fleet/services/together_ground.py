"""What every service stands on: store, driver and clock, devices, and what is desired of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from fleet.drivers.protocol import Driver
from fleet.services.audit import Audit
from fleet.services.chosen_levels import ChosenLevels
from fleet.services.desired import Desired
from fleet.services.guest_book import GuestBook
from fleet.services.holds import Holds
from fleet.services.inventory import Inventory
from fleet.services.notices import Notices
from fleet.services.outlook import Lookout
from fleet.services.receivers import Receiver
from fleet.services.slot_writes import SlotWrites
from fleet.services.snapshots_sealed import Proof
from fleet.store.protocol import Store


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """What services are made of; see `wire`."""

    store: Store
    driver: Driver
    clock: Callable[[], datetime]
    new_id: Callable[[str], str]
    port: int | None
    folder: Path | None
    receivers: Sequence[Receiver]
    proof: Proof


class Ground:
    """Services that the others use."""

    def __init__(self, given: Given) -> None:
        store, clock = given.store, given.clock
        self.store: Final = store
        self.driver: Final = given.driver
        self.clock: Final = clock
        self.audit: Final = Audit(store, clock)
        self.inventory: Final = Inventory(store, self.driver.name, clock, port=given.port)
        self.desired: Final = Desired(store, clock)
        self.inventory.named = self.desired.bound
        self.holds: Final = Holds(store, self.desired, clock)
        self.guest_book: Final = GuestBook(store, clock)
        self.chosen: Final = ChosenLevels(store, clock)
        self.lookout: Final = Lookout(
            self.driver,
            self.inventory,
            self.desired,
            self.holds,
            self.guest_book,
            SlotWrites(store, self.inventory, self.desired, clock),
            self.chosen,
        )
        self.notices: Final = Notices(store, clock, lambda: given.new_id("n"))
