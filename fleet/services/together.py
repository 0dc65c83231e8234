"""All services wired to one store, driver and clock: what a face may call."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Protocol

from fleet.drivers.protocol import Driver
from fleet.errors import NotFound, Refused
from fleet.services.binding import Binding
from fleet.services.capturing import Capturing
from fleet.services.changes import Changes
from fleet.services.checking import Checking
from fleet.services.desired import Desired
from fleet.services.editing import Editing
from fleet.services.handover.gathering import HandingOver
from fleet.services.holds import Holds
from fleet.services.inventory import Inventory
from fleet.services.notices import Notices
from fleet.services.outlook import Lookout
from fleet.services.rounds import Rounds
from fleet.services.snapshots import Snapshots
from fleet.services.swap_prospects import Prospects
from fleet.services.swapping import Swapping
from fleet.services.takeover import TakeOver
from fleet.services.walking import Walking
from fleet.store.protocol import Store


class Daily(Protocol):
    """A service that has things to do at times."""

    async def tick(self) -> None:
        """Do all that is due by the clock. Cheap where nothing is."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Services:
    """What the tool does, ready to be called."""

    store: Store
    driver: Driver
    inventory: Inventory
    desired: Desired
    lookout: Lookout
    checking: Checking
    editing: Editing
    binding: Binding
    capturing: Capturing
    holds: Holds
    changes: Changes
    notices: Notices
    rounds: Rounds
    snapshots: Snapshots
    handing_over: HandingOver
    swapping: Swapping
    walking: Walking
    take_over: TakeOver

    @property
    def daily(self) -> tuple[Daily, ...]:
        """Services that do what is due, each time they are ticked."""
        return ()

    async def close(self) -> None:
        """Stop: no further room of a round and no step of a swap is begun; running changes are cancelled and ended."""
        self.swapping.close()
        await asyncio.gather(self.rounds.close(), self.changes.close())
        await self.swapping.closed()
        await self.walking.close()

    async def identify(self, device: str, seconds: int) -> None:
        """Let a device blink. Raises `NotFound`, `Refused` where it is not to be addressed, or the device's error."""
        known = self.inventory.known(device)
        if words := self.inventory.conflicts().get(device):
            raise Refused(f"{device} is conflicting: {words}", remedy="Accept it first, if it is the right one.")
        if known.record.description is None:
            raise NotFound(f"{device} has not told what it is", remedy="Wait until it is reachable.")
        if self.desired.version is not None and any(
            p.life_safety for p in self.desired.version.venue.positions_of(device)
        ):
            raise Refused(f"{device} serves life safety: this tool sends it nothing", guards=("life-safety",))
        await self.driver.identify(known.record.description, seconds)


def wire(
    *,
    store: Store,
    driver: Driver,
    clock: Callable[[], datetime],
    new_id: Callable[[str], str],
    port: int | None = None,
    folder: Path | None = None,
) -> Services:
    """Wire the services.

    `new_id` makes an id with the given beginning; `port` is that of the devices' link; `folder` the venue folder that
    is loaded when it changes, and written by edits.
    """
    inventory = Inventory(store, driver.name, clock, port=port)
    desired = Desired(store, clock)
    holds = Holds(store, desired, clock)
    lookout = Lookout(driver, inventory, desired, holds)
    checking = Checking(driver, inventory, desired, clock)
    editing = Editing(desired, checking, folder)
    changes = Changes(
        store=store,
        driver=driver,
        inventory=inventory,
        desired=desired,
        lookout=lookout,
        clock=clock,
        new_id=lambda: new_id("c"),
    )
    snapshots = Snapshots(
        store=store,
        inventory=inventory,
        desired=desired,
        lookout=lookout,
        clock=clock,
        new_id=lambda: new_id("s"),
    )
    prospects = Prospects(
        store=store,
        driver=driver,
        inventory=inventory,
        desired=desired,
        editing=editing,
        lookout=lookout,
        clock=clock,
    )
    swapping = Swapping(
        store=store,
        inventory=inventory,
        editing=editing,
        lookout=lookout,
        changes=changes,
        prospects=prospects,
        clock=clock,
        new_id=lambda: new_id("w"),
    )
    walking = Walking(
        store=store,
        desired=desired,
        holds=holds,
        lookout=lookout,
        changes=changes,
        clock=clock,
        new_id=lambda: new_id("walk"),
    )
    return Services(
        store=store,
        driver=driver,
        inventory=inventory,
        desired=desired,
        lookout=lookout,
        checking=checking,
        editing=editing,
        binding=Binding(inventory, desired, editing),
        capturing=Capturing(driver, inventory, desired, lookout, editing, clock),
        holds=holds,
        changes=changes,
        notices=Notices(store, clock, lambda: new_id("n")),
        rounds=Rounds(changes=changes, desired=desired, clock=clock, new_id=lambda: new_id("round")),
        snapshots=snapshots,
        handing_over=HandingOver(
            store=store,
            inventory=inventory,
            desired=desired,
            lookout=lookout,
            checking=checking,
            snapshots=snapshots,
        ),
        swapping=swapping,
        walking=walking,
        take_over=TakeOver(store, inventory, desired, lookout),
    )
