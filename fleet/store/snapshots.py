"""Sealed snapshots, stored as the very bytes that their hashes cover, and who witnessed them."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime

from sqlalchemy import delete, exists, insert, select
from sqlmodel import col

from fleet.model import edge
from fleet.model.canonical import canonical
from fleet.model.snapshot import Seal, Snapshot, SnapshotBody, Taken, Witness
from fleet.store.area import Area
from fleet.store.records import SnapshotEntry
from fleet.store.tables import SnapshotRow, WitnessRow, columns_of


class Snapshots(Area):
    """The area of `Store` for snapshots."""

    async def save_snapshot(self, snapshot: Snapshot) -> None:
        """Store a sealed snapshot as the canonical bytes of its body."""
        body = snapshot.body
        row = {
            "id": snapshot.id,
            "at": body.at,
            "sha256": snapshot.sha256,
            "taken_by": body.taken_by,
            "note": body.note,
            "devices": len(body.devices),
            "body": snapshot.text or canonical(edge.plain(body)),
            "taken": body.taken,
            "seal": edge.plain(snapshot.seal) if snapshot.seal is not None else None,
        }
        async with self._database.writing() as connection:
            await connection.execute(insert(SnapshotRow).values(row))

    async def snapshot(self, snapshot: str) -> Snapshot | None:
        """The snapshot of this id, with its witnesses."""
        query = select(SnapshotRow).where(col(SnapshotRow.id) == snapshot)
        witnesses = select(col(WitnessRow.body)).where(col(WitnessRow.snapshot) == snapshot)
        async with self._database.reading() as connection:
            row = (await connection.execute(query)).mappings().one_or_none()
            if row is None:
                return None
            seen = (await connection.execute(witnesses.order_by(col(WitnessRow.number)))).scalars().all()
        with self._understood():
            body = edge.parse_json(SnapshotBody, row["body"])
            seal = edge.parse(Seal, row["seal"]) if row["seal"] is not None else None
            told = tuple(edge.parse(Witness, one) for one in seen)
        return Snapshot(id=row["id"], body=body, sha256=row["sha256"], seal=seal, witnesses=told, text=row["body"])

    async def snapshots(
        self, limit: int = 50, taken: Collection[Taken] = (), *, before: str = ""
    ) -> tuple[SnapshotEntry, ...]:
        """Snapshots without their bodies, last saved first, of those saved before one; all, or of some ways."""
        query = (
            select(*columns_of(SnapshotRow, without={"number", "body", "seal"}))
            .order_by(col(SnapshotRow.number).desc())
            .limit(limit)
        )
        if before:
            number = select(col(SnapshotRow.number)).where(col(SnapshotRow.id) == before).scalar_subquery()
            query = query.where(col(SnapshotRow.number) < number)
        if taken:
            query = query.where(col(SnapshotRow.taken).in_(sorted(taken)))
        async with self._database.reading() as connection:
            rows = (await connection.execute(query)).mappings().all()
        return tuple(SnapshotEntry(**row) for row in rows)

    async def drop_snapshots(self, taken: Collection[Taken], before: datetime) -> int:
        """Remove snapshots that came about in one of these ways before a moment, but none with a witness; how many."""
        row = delete(SnapshotRow).where(col(SnapshotRow.taken).in_(sorted(taken)), col(SnapshotRow.at) < before)
        witnessed = exists().where(col(WitnessRow.snapshot) == col(SnapshotRow.id))
        async with self._database.writing() as connection:
            return (await connection.execute(row.where(~witnessed))).rowcount

    async def add_witness(self, snapshot: str, witness: Witness) -> None:
        """Write down that somebody outside had the hash of a snapshot."""
        row = {"snapshot": snapshot, "body": edge.plain(witness)}
        async with self._database.writing() as connection:
            await connection.execute(insert(WitnessRow).values(row))
