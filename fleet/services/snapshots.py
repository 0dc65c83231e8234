"""Snapshots: everything reported at a moment, sealed and signed, witnessed, and two of them compared by meaning."""

from __future__ import annotations

import logging
from collections.abc import Callable, Collection
from dataclasses import replace
from datetime import datetime
from typing import Final, get_args

from fleet.errors import FleetError, NotFound, Refused
from fleet.model.difference import Comparison, NotChecked
from fleet.model.names import shown
from fleet.model.sealing import statement
from fleet.model.snapshot import OF_CHANGES, Snapshot, SnapshotBody, Taken, Witness
from fleet.reconcile.against import compare_snapshots
from fleet.reconcile.agreed import marked_devices
from fleet.services.desired import Desired
from fleet.services.inventory import Inventory
from fleet.services.outlook import Lookout
from fleet.services.snapshots_sealed import Sealer, TimeStamper
from fleet.store.protocol import Store
from fleet.store.records import SnapshotEntry

log = logging.getLogger(__name__)

WHOLE: Final[tuple[Taken, ...]] = tuple(taken for taken in get_args(Taken) if taken not in OF_CHANGES)
"""Those that hold everything; a change's hold its own devices."""


class Snapshots:
    """Takes, keeps, witnesses and compares snapshots."""

    def __init__(
        self,
        *,
        store: Store,
        inventory: Inventory,
        desired: Desired,
        lookout: Lookout,
        sealer: Sealer,
        stamper: TimeStamper | None,
        clock: Callable[[], datetime],
        new_id: Callable[[], str],
    ) -> None:
        self._store = store
        self._inventory = inventory
        self._desired = desired
        self._lookout = lookout
        self._sealer = sealer
        self._stamper = stamper
        self._clock = clock
        self._new_id = new_id

    async def take(self, who: str, note: str = "", *, taken: Taken = "by hand") -> Snapshot:
        """Read every device that the inventory or a position names, and seal what they report.

        Where a time stamp service is configured its stamp is asked for; one that does not answer is logged.
        """
        bound = self._desired.bound()
        devices = bound | {r.id for r in self._inventory.records()}
        reported, unreachable = await self._lookout.read(devices)
        version = self._desired.version
        body = SnapshotBody(
            id=self._new_id(),
            venue=version.venue.name if version else "",
            at=self._clock(),
            taken_by=who,
            note=note,
            taken=taken,
            desired_sha256=version.sha256 if version else "",
            devices=tuple(reported[d] for d in sorted(reported)),
            not_read=not_read(self._desired, unreachable),
        )
        snapshot = await self._sealer.seal(body)
        await self._store.save_snapshot(snapshot)
        if self._stamper is None:
            return snapshot
        try:
            return await self.time_stamp(snapshot.id, who)
        except FleetError as error:
            log.warning("snapshot %s has no time stamp: %s", snapshot.id, error)
            return snapshot

    async def get(self, snapshot: str) -> Snapshot:
        """A snapshot by its id. Raises `NotFound`."""
        found = await self._store.snapshot(snapshot)
        if found is None:
            raise NotFound(f"no snapshot {shown(snapshot)!r}", remedy="`fleet snapshot show` lists them.")
        return found

    async def entries(
        self, limit: int = 50, taken: Collection[Taken] = WHOLE, *, before: str = ""
    ) -> tuple[SnapshotEntry, ...]:
        """Snapshots, newest first, without their bodies, of those before one; mostly those that hold everything."""
        return await self._store.snapshots(limit, taken, before=before)

    async def compare(self, first: str, second: str) -> Comparison:
        """What differs in `second` from `first`, by the one comparator; marked where it was agreed at that moment.

        Raises `NotFound`.
        """
        later = await self.get(second)
        found = compare_snapshots(await self.get(first), later)
        agreed = [d for d in self._desired.deviations.values() if d.stands(later.body.at)]
        return marked_devices(found, agreed, {r.state.id: r for r in later.body.devices})

    async def witness(self, snapshot: str, *, name: str, note: str, who: str, sha256: str = "") -> Snapshot:
        """Write down that a person countersigned the hash; `sha256` is what stands on their paper, if given.

        Raises `NotFound`, or `Refused` where that is another hash.
        """
        found = await self.get(snapshot)
        if sha256 and sha256.lower() != found.sha256:
            raise Refused(
                f"snapshot {found.id} has another hash than the one that was countersigned: {found.sha256}",
                remedy="Look at the paper again; if it is right, one of the two is not what it was.",
            )
        return await self._witnessed(
            found,
            Witness(kind="person", name=name, note=note, at=self._clock(), sha256=found.sha256, recorded_by=who),
        )

    async def time_stamp(self, snapshot: str, who: str) -> Snapshot:
        """Get a time stamp for a snapshot.

        Raises `NotFound`, `Refused` where no service is configured, or `FleetError` where it gives none.
        """
        if self._stamper is None:
            raise Refused("no time stamp service is configured", remedy="Set timestamp_url in config.toml.")
        found = await self.get(snapshot)
        token = await self._stamper.stamp(statement(found.sha256))
        return await self._witnessed(
            found,
            Witness(
                kind="time stamp",
                name=self._stamper.name,
                note="",
                at=self._clock(),
                sha256=found.sha256,
                recorded_by=who,
                token=token,
            ),
        )

    async def _witnessed(self, snapshot: Snapshot, witness: Witness) -> Snapshot:
        signed = self._sealer.signed(witness)
        await self._store.add_witness(snapshot.id, signed)
        return replace(snapshot, witnesses=(*snapshot.witnesses, signed))


def not_read(desired: Desired, unreachable: dict[str, str]) -> tuple[NotChecked, ...]:
    """Devices that could not be read, by the positions that they serve."""
    version = desired.version

    def places(device: str) -> list[tuple[str, str]]:
        positions = version.venue.positions_of(device) if version else ()
        return [(p.room, p.name) for p in positions] or [("", "")]

    return tuple(
        NotChecked(room=room, position=position, device=d, reason="missing", words=unreachable[d])
        for d in sorted(unreachable)
        for room, position in places(d)
    )
