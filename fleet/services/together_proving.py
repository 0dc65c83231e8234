"""Services that say who may do what, and prove what was done and how everything stood."""

from __future__ import annotations

from typing import Final

from fleet.services.access import Access
from fleet.services.access_sessions import AccessSessions
from fleet.services.handover.gathering import HandingOver
from fleet.services.sign_in_attempts import SignInAttempts
from fleet.services.snapshots import Snapshots
from fleet.services.snapshots_of_changes import SnapshotsOfChanges
from fleet.services.snapshots_scheduled import ScheduledSnapshots
from fleet.services.snapshots_sealed import Sealer
from fleet.services.together_changing import Changing
from fleet.services.together_ground import Given


class Proving(Changing):
    """All that, and access, audit log, snapshots and hand-overs."""

    def __init__(self, given: Given) -> None:
        super().__init__(given)
        proof = given.proof
        sealer = Sealer(self.audit, proof.signer)
        self.signer: Final = proof.signer
        self.access: Final = Access(
            store=self.store,
            desired=self.desired,
            audit=self.audit,
            attempts=SignInAttempts(self.clock),
            clock=self.clock,
            new_id=lambda: given.new_id("access"),
        )
        self.access_sessions: Final = AccessSessions(self.store, self.access, self.clock)
        self.snapshots: Final = Snapshots(
            store=self.store,
            inventory=self.inventory,
            desired=self.desired,
            lookout=self.lookout,
            sealer=sealer,
            stamper=proof.stamper,
            clock=self.clock,
            new_id=lambda: given.new_id("s"),
        )
        self.snapshots_of_changes: Final = SnapshotsOfChanges(
            store=self.store, inventory=self.inventory, desired=self.desired, sealer=sealer, clock=self.clock
        )
        self.scheduled_snapshots: Final = ScheduledSnapshots(
            store=self.store,
            desired=self.desired,
            snapshots=self.snapshots,
            audit=self.audit,
            at=proof.snapshot_at,
            kept_days=proof.kept_days,
            clock=self.clock,
        )
        self.handing_over: Final = HandingOver(
            store=self.store,
            inventory=self.inventory,
            desired=self.desired,
            lookout=self.lookout,
            checking=self.checking,
            snapshots=self.snapshots,
        )
        self.changes.listen(self.snapshots_of_changes.changed)
        self.changes.listen(self.audit.changed)
