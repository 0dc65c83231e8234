"""The audit log: added to and read, and nothing else."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Select, insert, select
from sqlalchemy.ext.asyncio import AsyncConnection
from sqlmodel import col

from fleet.model.audit import Act, AuditEntry, AuditHead, entry_after
from fleet.store.area import Area
from fleet.store.database import Database
from fleet.store.group_commit import GroupCommit
from fleet.store.tables import AuditRow, columns_of

ENTRY = columns_of(AuditRow, without=())
NUMBER: Any = col(AuditRow.number)
HEAD: Select[Any] = select(NUMBER, col(AuditRow.sha256)).order_by(NUMBER.desc()).limit(1)
MEMBERS = tuple(column.name for column in ENTRY)


class AuditLog(Area):
    """The area of `Store` for the audit log."""

    def __init__(self, database: Database) -> None:
        super().__init__(database)
        self._adding = GroupCommit(self._add)

    async def add_to_audit(self, acts: Sequence[tuple[datetime, Act]]) -> None:
        """Add acts, each chained to the one before. Concurrent calls share one commit."""
        await self._adding.write(acts)

    async def audit(
        self, limit: int = 50, *, below: int | None = None, who: str | None = None, since: datetime | None = None
    ) -> tuple[AuditEntry, ...]:
        """Entries, last first: those with a number below one, of one who, none older than `since`."""
        query = select(*ENTRY).order_by(NUMBER.desc()).limit(limit)
        if below is not None:
            query = query.where(below > NUMBER)
        if who is not None:
            query = query.where(col(AuditRow.who) == who)
        if since is not None:
            query = query.where(col(AuditRow.at) >= since)
        return await self._entries(query)

    async def audit_above(self, number: int, limit: int) -> tuple[AuditEntry, ...]:
        """Entries in the order they were written, with numbers above this one, as they stand there."""
        return await self._entries(select(*ENTRY).where(number < NUMBER).order_by(NUMBER).limit(limit))

    async def audit_head(self) -> AuditHead:
        """How long the log is, and the hash of its last entry."""
        async with self._database.reading() as connection:
            return await self._head(connection)

    async def audit_settled(self) -> None:
        """Wait until all that was given is written."""
        await self._adding.settled()

    async def _add(self, acts: Sequence[tuple[datetime, Act]]) -> None:
        async with self._database.writing() as connection:
            head, rows = await self._head(connection), list[dict[str, Any]]()
            for at, act in acts:
                entry = entry_after(head, at, act)
                head = AuditHead(length=entry.number, sha256=entry.sha256)
                rows.append({name: getattr(entry, name) for name in MEMBERS})
            await connection.execute(insert(AuditRow), rows)

    async def _entries(self, query: Select[Any]) -> tuple[AuditEntry, ...]:
        async with self._database.reading() as connection:
            rows = (await connection.execute(query)).mappings().all()
        return tuple(self._read_back(AuditEntry, dict(row)) for row in rows)

    async def _head(self, connection: AsyncConnection) -> AuditHead:
        row = (await connection.execute(HEAD)).one_or_none()
        return AuditHead() if row is None else AuditHead(length=row.number, sha256=row.sha256)
