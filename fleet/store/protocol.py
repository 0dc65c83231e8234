"""What services know of the database: one protocol class, in which every call is a whole transaction."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from datetime import datetime
from typing import Protocol, TypeVar

from fleet.model.audit import Act, AuditEntry, AuditHead
from fleet.model.change import ChangeRecord, JournalEntry
from fleet.model.hold import Hold
from fleet.model.inventory import DeviceRecord, Sighting
from fleet.model.notice import Notice
from fleet.model.snapshot import Snapshot, Taken, Witness
from fleet.model.swap import Swap
from fleet.model.walk import Walk
from fleet.store.records import SnapshotEntry, StoredVersion

T = TypeVar("T")


class Store(Protocol):
    """Keep what must outlive the daemon. Calls raise `StoreTrouble`, nothing else.

    What was written is durable when the call returns. Times are aware, and UTC when they come back.
    A change or journal that is not what was written is never handed out: see `damaged`.
    """

    async def claim(self, who: str, at: datetime) -> int:
        """Own the database until the store is closed, and raise its epoch by one; the epoch.

        Raises `StoreTrouble` that names the owner where another has it. Should the claim be lost later, every call
        that writes and `epoch` raise `StoreTrouble` until it is back, which it never is once another has claimed.
        """
        ...

    async def epoch(self) -> int:
        """The fencing number of this database; a new database starts at 1."""
        ...

    async def set_epoch(self, epoch: int) -> None:
        """Raise the fencing number. Raises `StoreTrouble` where that would lower it."""
        ...

    async def controller(self, make: Callable[[], str]) -> str:
        """The controller id of this database; `make` is asked for one the first time only."""
        ...

    async def save_version(self, files: Mapping[str, str], sha256: str, who: str, at: datetime, note: str = "") -> int:
        """Put a version of the desired state in force; its number, which rises."""
        ...

    async def latest_version(self) -> StoredVersion | None:
        """The version in force."""
        ...

    async def version(self, sha256: str) -> StoredVersion | None:
        """The last version with this hash: the same files may be loaded again later."""
        ...

    async def version_at(self, at: datetime) -> StoredVersion | None:
        """The version that was in force at a moment; `None` before the first."""
        ...

    async def first_version(self) -> StoredVersion | None:
        """The first version that was ever in force."""
        ...

    async def versions(self, limit: int = 50, *, below: int | None = None) -> tuple[StoredVersion, ...]:
        """Versions, newest first; only those with a number below the one given, to read on from there."""
        ...

    async def save_devices(self, records: Sequence[DeviceRecord]) -> None:
        """Add devices to the inventory or replace what is known of them, all or none."""
        ...

    async def drop_devices(self, devices: Sequence[str]) -> None:
        """Forget devices, and when they were seen."""
        ...

    async def devices(self) -> tuple[DeviceRecord, ...]:
        """The inventory, sorted by id."""
        ...

    async def add_sightings(self, sightings: Sequence[Sighting]) -> None:
        """Remember sightings, of each device the last few hundred."""
        ...

    async def sightings(self, device: str, limit: int = 20) -> tuple[Sighting, ...]:
        """Sightings of a device, last remembered first."""
        ...

    async def begin_change(self, record: ChangeRecord) -> None:
        """Write down a change with its intent and checkpoint (`record.plan`, never altered later).

        To be awaited before anything is sent to a device.
        """
        ...

    async def journal(self, entries: Sequence[JournalEntry]) -> None:
        """Write journal entries. Concurrent calls share one commit; a cancelled call may have been written.

        The numbers of a change's entries rise in the order of the calls.
        """
        ...

    async def save_change(self, record: ChangeRecord) -> None:
        """Write a change's state, trial, outcomes, culprits and end; never its plan.

        In the same transaction a change that is kept lets stand what its plan says (`Plan.then`).
        """
        ...

    async def change(self, change: str) -> ChangeRecord | None:
        """The change of this id. Raises `StoreTrouble` where it is not what was written."""
        ...

    async def changes(self, limit: int = 50, *, before: str = "") -> tuple[ChangeRecord, ...]:
        """Changes, last begun first, of those begun before one; without those not as written, which `damaged` names."""
        ...

    async def unfinished(self) -> tuple[ChangeRecord, ...]:
        """Changes that have not ended, first begun first; without those that `damaged` names."""
        ...

    async def damaged(self) -> tuple[str, ...]:
        """What is wrong with changes that are not what was written, in words, one each.

        Those that have not ended are read wholly. Of the others it is only seen that they are there and have ended;
        what else is stored of them is held against its seals when it is asked for.
        """
        ...

    async def entries(self, change: str) -> tuple[JournalEntry, ...]:
        """The journal of a change, by number. Raises `StoreTrouble` where it is not what was written."""
        ...

    async def save_hold(self, hold: Hold) -> None:
        """Put a room on hold, or replace its hold."""
        ...

    async def drop_hold(self, room: str) -> None:
        """Release a room."""
        ...

    async def holds(self) -> tuple[Hold, ...]:
        """All holds, those that have run out too, by room."""
        ...

    async def save_swap(self, swap: Swap) -> None:
        """Write a swap down, or how it stands now. To be awaited before each of its steps."""
        ...

    async def swaps(self) -> tuple[Swap, ...]:
        """All swaps, last begun first."""
        ...

    async def save_walk(self, walk: Walk) -> None:
        """Write a walk down, or how it stands now. To be awaited before each of its steps."""
        ...

    async def walk(self, walk: str) -> Walk | None:
        """The walk of this id."""
        ...

    async def walks(self) -> tuple[Walk, ...]:
        """All walks, last begun first."""
        ...

    async def save_standing(self, key: str, value: object) -> None:
        """Let a value stand for its kind (its class) and this key, in place of the one before."""
        ...

    async def drop_standing(self, kind: type, key: str) -> None:
        """Let nothing stand for a kind and a key."""
        ...

    async def standing(self, kind: type[T]) -> Mapping[str, T]:
        """The values of a kind by key."""
        ...

    async def save_notice(self, notice: Notice, beside: Mapping[str, object] | None = None) -> None:
        """Write a notice down, and let the values `beside` it stand for their keys: all or nothing."""
        ...

    async def notices(self, limit: int = 50, since: datetime | None = None, *, before: str = "") -> tuple[Notice, ...]:
        """Notices, last given first, none older than `since`, of those given before one."""
        ...

    async def save_snapshot(self, snapshot: Snapshot) -> None:
        """Store a sealed snapshot as the canonical bytes of its body."""
        ...

    async def snapshot(self, snapshot: str) -> Snapshot | None:
        """The snapshot of this id."""
        ...

    async def snapshots(
        self, limit: int = 50, taken: Collection[Taken] = (), *, before: str = ""
    ) -> tuple[SnapshotEntry, ...]:
        """Snapshots without their bodies, last saved first, of those saved before one; all, or of some ways."""
        ...

    async def drop_snapshots(self, taken: Collection[Taken], before: datetime) -> int:
        """Remove snapshots that came about in one of these ways before a moment, but none with a witness; how many."""
        ...

    async def add_witness(self, snapshot: str, witness: Witness) -> None:
        """Write down that somebody outside had the hash of a snapshot."""
        ...

    async def add_to_audit(self, acts: Sequence[tuple[datetime, Act]]) -> None:
        """Add acts to the audit log, each chained to the one before. Concurrent calls share one commit."""
        ...

    async def audit(
        self, limit: int = 50, *, below: int | None = None, who: str | None = None, since: datetime | None = None
    ) -> tuple[AuditEntry, ...]:
        """Entries of the audit log, last first: those with a number below one, of one who, none older than `since`."""
        ...

    async def audit_above(self, number: int, limit: int) -> tuple[AuditEntry, ...]:
        """Entries of the audit log in the order they were written, with numbers above this one, as they stand there."""
        ...

    async def audit_head(self) -> AuditHead:
        """How long the audit log is, and the hash of its last entry."""
        ...
