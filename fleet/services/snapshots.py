"""Snapshots: everything reported at a moment, sealed by a hash, and two of them compared by meaning."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from fleet.errors import NotFound
from fleet.model.difference import Comparison, NotChecked
from fleet.model.edge import digest, plain
from fleet.model.names import shown
from fleet.model.snapshot import Snapshot, SnapshotBody
from fleet.reconcile.against import compare_snapshots
from fleet.services.desired import Desired
from fleet.services.inventory import Inventory
from fleet.services.outlook import Lookout
from fleet.store.protocol import Store
from fleet.store.records import SnapshotEntry


class Snapshots:
    """Takes, keeps and compares snapshots."""

    def __init__(
        self,
        *,
        store: Store,
        inventory: Inventory,
        desired: Desired,
        lookout: Lookout,
        clock: Callable[[], datetime],
        new_id: Callable[[], str],
    ) -> None:
        self._store = store
        self._inventory = inventory
        self._desired = desired
        self._lookout = lookout
        self._clock = clock
        self._new_id = new_id

    async def take(self, who: str, note: str = "") -> Snapshot:
        """Read every device that the inventory or a position names, and seal what they report."""
        bound = self._desired.bound()
        devices = bound | {r.id for r in self._inventory.records()}
        reported, unreachable = await self._lookout.read(devices)
        version = self._desired.version
        body = SnapshotBody(
            venue=version.venue.name if version else "",
            at=self._clock(),
            taken_by=who,
            note=note,
            desired_sha256=version.sha256 if version else "",
            devices=tuple(reported[d] for d in sorted(reported)),
            not_read=tuple(
                NotChecked(room=room, position=position, device=d, reason="missing", words=unreachable[d])
                for d in sorted(unreachable)
                for room, position in self._places(d)
            ),
        )
        snapshot = Snapshot(id=self._new_id(), body=body, sha256=digest(plain(body)))
        await self._store.save_snapshot(snapshot)
        return snapshot

    async def get(self, snapshot: str) -> Snapshot:
        """A snapshot by its id. Raises `NotFound`."""
        found = await self._store.snapshot(snapshot)
        if found is None:
            raise NotFound(f"no snapshot {shown(snapshot)!r}", remedy="`fleet snapshot show` lists them.")
        return found

    async def entries(self, limit: int = 50) -> tuple[SnapshotEntry, ...]:
        """Snapshots, newest first, without their bodies."""
        return await self._store.snapshots(limit)

    async def compare(self, first: str, second: str) -> Comparison:
        """What differs in `second` from `first`, by the one comparator. Raises `NotFound`."""
        return compare_snapshots(await self.get(first), await self.get(second))

    def _places(self, device: str) -> list[tuple[str, str]]:
        version = self._desired.version
        positions = version.venue.positions_of(device) if version else ()
        return [(p.room, p.name) for p in positions] or [("", "")]
