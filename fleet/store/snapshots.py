"""Sealed snapshots, stored as the very bytes that their hash covers."""

from __future__ import annotations

from sqlalchemy import insert, select
from sqlmodel import col

from fleet.model import edge
from fleet.model.snapshot import Snapshot, SnapshotBody
from fleet.store.area import Area
from fleet.store.records import SnapshotEntry
from fleet.store.tables import SnapshotRow, columns_of


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
            "body": edge.canonical_json(edge.plain(body)),
        }
        async with self._database.writing() as connection:
            await connection.execute(insert(SnapshotRow).values(row))

    async def snapshot(self, snapshot: str) -> Snapshot | None:
        """The snapshot of this id."""
        query = select(SnapshotRow).where(col(SnapshotRow.id) == snapshot)
        async with self._database.reading() as connection:
            row = (await connection.execute(query)).mappings().one_or_none()
        if row is None:
            return None
        with self._understood():
            body = edge.parse_json(SnapshotBody, row["body"])
        return Snapshot(id=row["id"], body=body, sha256=row["sha256"])

    async def snapshots(self, limit: int = 50) -> tuple[SnapshotEntry, ...]:
        """Snapshots without their bodies, last saved first."""
        query = (
            select(*columns_of(SnapshotRow, without={"number", "body"}))
            .order_by(col(SnapshotRow.number).desc())
            .limit(limit)
        )
        async with self._database.reading() as connection:
            rows = (await connection.execute(query)).mappings().all()
        return tuple(SnapshotEntry(**row) for row in rows)
