"""Changes and their journal: written before a device is touched, and read by a daemon that comes back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import Select, insert, select, update
from sqlmodel import col

from fleet.errors import StoreTrouble
from fleet.model import edge
from fleet.model.change import ENDS, ChangeRecord, JournalEntry
from fleet.store.area import Area
from fleet.store.database import Database
from fleet.store.group_commit import GroupCommit
from fleet.store.tables import ChangeRow, JournalRow, columns_of

NUMBER = col(ChangeRow.number)
CHANGES: Select[Any] = select(*columns_of(ChangeRow))
MOVING = ("state", "outcomes", "culprits", "ended")
"""What becomes of a change; the rest is written once, when it begins."""


class Changes(Area):
    """The area of `Store` for changes and the journal."""

    def __init__(self, database: Database) -> None:
        super().__init__(database)
        self._journal = GroupCommit(self._write_entries)

    async def begin_change(self, record: ChangeRecord) -> None:
        """Write down a change with its intent and checkpoint; to be awaited before anything is sent to a device."""
        async with self._database.writing() as connection:
            await connection.execute(insert(ChangeRow).values(_change_row(record)))

    async def save_change(self, record: ChangeRecord) -> None:
        """Write a change's state, outcomes, culprits and end; never its plan."""
        row = _change_row(record)
        moved = {name: row[name] for name in MOVING}
        async with self._database.writing() as connection:
            result = await connection.execute(update(ChangeRow).where(col(ChangeRow.id) == record.id).values(moved))
            if not result.rowcount:
                raise StoreTrouble(f"change {record.id} was never begun", where=self._database.where)

    async def change(self, change: str) -> ChangeRecord | None:
        """The change of this id."""
        return next(iter(await self._changes(CHANGES.where(col(ChangeRow.id) == change))), None)

    async def changes(self, limit: int = 50) -> tuple[ChangeRecord, ...]:
        """Changes, last begun first."""
        return await self._changes(CHANGES.order_by(NUMBER.desc()).limit(limit))

    async def unfinished(self) -> tuple[ChangeRecord, ...]:
        """Changes that have not ended, first begun first."""
        ended = col(ChangeRow.state).in_(sorted(ENDS))
        return await self._changes(CHANGES.where(~ended).order_by(NUMBER))

    async def journal(self, entries: Sequence[JournalEntry]) -> None:
        """Write journal entries. Concurrent calls share one commit; a cancelled call may have been written."""
        if entries:
            await self._journal.write(entries)

    async def entries(self, change: str) -> tuple[JournalEntry, ...]:
        """The journal of a change, by number."""
        query = select(JournalRow).where(col(JournalRow.change) == change).order_by(col(JournalRow.number))
        async with self._database.reading() as connection:
            rows = (await connection.execute(query)).mappings().all()
        return tuple(self._read_back(JournalEntry, dict(row)) for row in rows)

    async def settled(self) -> None:
        """Wait until the journal has written all it was given."""
        await self._journal.settled()

    async def _write_entries(self, entries: Sequence[JournalEntry]) -> None:
        async with self._database.writing() as connection:
            await connection.execute(insert(JournalRow), [edge.plain(e) | {"at": e.at} for e in entries])

    async def _changes(self, query: Select[Any]) -> tuple[ChangeRecord, ...]:
        async with self._database.reading() as connection:
            rows: Sequence[Mapping[Any, Any]] = (await connection.execute(query)).mappings().all()
        return tuple(self._read_back(ChangeRecord, dict(row)) for row in rows)


def _change_row(record: ChangeRecord) -> dict[str, Any]:
    row: dict[str, Any] = edge.plain(record)
    return row | {"started": record.started, "ended": record.ended}
