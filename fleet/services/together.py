"""All services wired to one store, driver and clock: what a face may call."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Protocol

from fleet.drivers.protocol import Driver
from fleet.errors import NotFound, Refused
from fleet.services.access import Access
from fleet.services.access_sessions import AccessSessions
from fleet.services.audit import Audit
from fleet.services.binding import Binding
from fleet.services.bringing import Bringing
from fleet.services.capturing import Capturing
from fleet.services.changes import Changes
from fleet.services.checking import Checking
from fleet.services.chosen_levels import ChosenLevels
from fleet.services.contacts import Contacts
from fleet.services.delivering import Delivering, Receiver
from fleet.services.desired import Desired
from fleet.services.deviations import Deviations
from fleet.services.editing import Editing
from fleet.services.guest_book import GuestBook
from fleet.services.guest_rooms import GuestRooms
from fleet.services.guests import Guests
from fleet.services.handover.gathering import HandingOver
from fleet.services.history import History
from fleet.services.holds import Holds
from fleet.services.in_use import InUse
from fleet.services.inventory import Inventory
from fleet.services.level_ends import LevelEnds
from fleet.services.levels import Levels
from fleet.services.lost_modes import LostModes
from fleet.services.mutes_over import MutesOver
from fleet.services.notices import Notices
from fleet.services.outlook import Lookout
from fleet.services.power import Power
from fleet.services.recalling import ModeRecaller
from fleet.services.repairing import Repairing
from fleet.services.rounds import Rounds
from fleet.services.scheduling import Scheduling
from fleet.services.sign_in_attempts import SignInAttempts
from fleet.services.slot_writes import SlotWrites
from fleet.services.snapshots import Snapshots
from fleet.services.snapshots_of_changes import SnapshotsOfChanges
from fleet.services.snapshots_scheduled import ScheduledSnapshots
from fleet.services.snapshots_sealed import Proof, Sealer, Signer
from fleet.services.swap_prospects import Prospects
from fleet.services.swapping import Swapping
from fleet.services.takeover import TakeOver
from fleet.services.walking import Walking
from fleet.services.watching import Watching
from fleet.store.protocol import Store


class Daily(Protocol):
    """A service that has things to do at times."""

    async def tick(self) -> None:
        """Do all that is due by the clock. Cheap where nothing is."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Services:
    """What the tool does, ready to be called."""

    clock: Callable[[], datetime]
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
    history: History
    changes: Changes
    chosen: ChosenLevels
    levels: Levels
    level_ends: LevelEnds
    mutes_over: MutesOver
    notices: Notices
    watching: Watching
    deviations: Deviations
    guests: Guests
    lost_modes: LostModes
    delivering: Delivering
    rounds: Rounds
    audit: Audit
    access: Access
    access_sessions: AccessSessions
    signer: Signer | None
    snapshots: Snapshots
    snapshots_of_changes: SnapshotsOfChanges
    scheduled_snapshots: ScheduledSnapshots
    handing_over: HandingOver
    swapping: Swapping
    walking: Walking
    take_over: TakeOver
    power: Power
    repairing: Repairing
    bringing: Bringing
    scheduling: Scheduling
    contacts: Contacts

    @property
    def daily(self) -> tuple[Daily, ...]:
        """Services that do what is due, each time they are ticked."""
        return (
            self.watching,
            self.delivering,
            self.lost_modes,
            self.levels,
            self.level_ends,
            self.mutes_over,
            self.scheduling,
            self.contacts,
            self.deviations,
            self.guests,
            self.repairing,
            self.scheduled_snapshots,
        )

    async def close(self) -> None:
        """Stop: no further room of a round and no step of a swap is begun; running changes are cancelled and ended."""
        self.bringing.close()
        self.swapping.close()
        await self.power.close()
        await asyncio.gather(self.rounds.close(), self.changes.close())
        await self.swapping.closed()
        await self.walking.close()
        await self.watching.close()
        await self.delivering.close()
        await self.snapshots_of_changes.settled()
        await self.audit.settled()

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
    receivers: Sequence[Receiver] = (),
    proof: Proof | None = None,
) -> Services:
    """Wire the services.

    `new_id` makes an id with the given beginning; `port` is that of the devices' link; `folder` the venue folder that
    is loaded when it changes, and written by edits; `receivers` are told of notices; `proof` is what makes snapshots
    prove something beyond their hashes.
    """
    proof = proof or Proof()
    audit = Audit(store, clock)
    sealer = Sealer(audit, proof.signer)
    inventory = Inventory(store, driver.name, clock, port=port)
    desired = Desired(store, clock)
    inventory.named = desired.bound
    access = Access(
        store=store,
        desired=desired,
        audit=audit,
        attempts=SignInAttempts(clock),
        clock=clock,
        new_id=lambda: new_id("access"),
    )
    holds = Holds(store, desired, clock)
    guest_book = GuestBook(store, clock)
    chosen = ChosenLevels(store, clock)
    slot_writes = SlotWrites(store, inventory, desired, clock)
    lookout = Lookout(driver, inventory, desired, holds, guest_book, slot_writes, chosen)
    notices = Notices(store, clock, lambda: new_id("n"))
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
    changes.listen(chosen.changed)
    snapshots = Snapshots(
        store=store,
        inventory=inventory,
        desired=desired,
        lookout=lookout,
        sealer=sealer,
        stamper=proof.stamper,
        clock=clock,
        new_id=lambda: new_id("s"),
    )
    of_changes = SnapshotsOfChanges(store=store, inventory=inventory, desired=desired, sealer=sealer, clock=clock)
    changes.listen(of_changes.changed)
    changes.listen(audit.changed)
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
        guest_book=guest_book,
        lookout=lookout,
        changes=changes,
        clock=clock,
        new_id=lambda: new_id("walk"),
    )
    in_use = InUse(desired=desired, holds=holds, guest_book=guest_book, walking=walking, changes=changes)
    bringing = Bringing(
        store=store, desired=desired, notices=notices, in_use=in_use, recaller=ModeRecaller(changes), clock=clock
    )
    watching = Watching(
        store=store,
        inventory=inventory,
        desired=desired,
        lookout=lookout,
        changes=changes,
        notices=notices,
        guest_book=guest_book,
        clock=clock,
    )
    return Services(
        clock=clock,
        store=store,
        history=History(store, driver, inventory, desired),
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
        chosen=chosen,
        levels=Levels(chosen=chosen, inventory=inventory, desired=desired, changes=changes, clock=clock),
        level_ends=LevelEnds(
            store=store, desired=desired, lookout=lookout, changes=changes, notices=notices, clock=clock
        ),
        mutes_over=MutesOver(store=store, desired=desired, inventory=inventory, changes=changes),
        notices=notices,
        watching=watching,
        deviations=Deviations(
            store=store,
            desired=desired,
            lookout=lookout,
            changes=changes,
            notices=notices,
            clock=clock,
            new_id=lambda: new_id("d"),
        ),
        guests=Guests(
            book=guest_book,
            rooms=GuestRooms(
                inventory=inventory, desired=desired, lookout=lookout, snapshots=snapshots, notices=notices
            ),
            desired=desired,
            lookout=lookout,
            snapshots=snapshots,
            changes=changes,
            in_use=in_use,
            clock=clock,
            new_id=lambda: new_id("g"),
        ),
        lost_modes=LostModes(store=store, desired=desired, notices=notices, clock=clock),
        delivering=Delivering(store=store, desired=desired, notices=notices, receivers=receivers, clock=clock),
        rounds=Rounds(changes=changes, desired=desired, clock=clock, new_id=lambda: new_id("round")),
        audit=audit,
        access=access,
        access_sessions=AccessSessions(store, access, clock),
        signer=proof.signer,
        snapshots=snapshots,
        snapshots_of_changes=of_changes,
        scheduled_snapshots=ScheduledSnapshots(
            store=store,
            desired=desired,
            snapshots=snapshots,
            audit=audit,
            at=proof.snapshot_at,
            kept_days=proof.kept_days,
            clock=clock,
        ),
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
        power=Power(
            store=store,
            driver=driver,
            inventory=inventory,
            desired=desired,
            lookout=lookout,
            changes=changes,
            clock=clock,
            new_id=lambda: new_id("restart"),
        ),
        repairing=Repairing(
            store=store,
            desired=desired,
            inventory=inventory,
            watching=watching,
            changes=changes,
            in_use=in_use,
            notices=notices,
            clock=clock,
        ),
        bringing=bringing,
        scheduling=Scheduling(store=store, inventory=inventory, desired=desired, bringing=bringing, clock=clock),
        contacts=Contacts(store=store, desired=desired, notices=notices, bringing=bringing, clock=clock),
    )
