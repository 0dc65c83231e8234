"""Changes and their journal: written before a device is touched, and read by a daemon that comes back.

Everything is written with its seal in one transaction, and held against it when it is read (`fleet.store.seals`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from sqlalchemy import Select, bindparam, insert, select, update
from sqlalchemy.ext.asyncio import AsyncConnection
from sqlmodel import col

from fleet.errors import StoreTrouble
from fleet.model import edge
from fleet.model.change import ENDS, ChangeRecord, ChangeState, JournalEntry
from fleet.store.area import Area
from fleet.store.database import Database
from fleet.store.group_commit import GroupCommit
from fleet.store.seals import Tail, seal_of_beginning, seal_of_standing
from fleet.store.standing import put_kept
from fleet.store.tables import ChangeRow, JournalRow, SealRow
from fleet.store.trouble import UnfitRow, Unsound
from fleet.store.verifying import Verifying

NUMBER: Any = col(ChangeRow.number)
NUMBERS: Select[Any] = select(NUMBER)
UNFINISHED = NUMBERS.where(col(ChangeRow.state).not_in(sorted(ENDS))).order_by(NUMBER)
MOVING = ("state", "trial_until", "outcomes", "culprits", "ended")
"""What becomes of a change; the rest is written once, when it begins."""
MOVE_TAIL = (
    update(SealRow)
    .where(col(SealRow.change) == bindparam("of"))
    .values(last_entry=bindparam("last"), journal=bindparam("seal"))
)


class Changes(Area):
    """The area of `Store` for changes and the journal."""

    def __init__(self, database: Database) -> None:
        super().__init__(database)
        self._journal = GroupCommit(self._write_entries)
        self._verifying = Verifying(database.where)

    async def begin_change(self, record: ChangeRecord) -> None:
        """Write down a change with its intent and checkpoint; to be awaited before anything is sent to a device."""
        async with self._database.writing() as connection:
            row = _change_row(record)
            begun = seal_of_beginning(row)
            seals = {"change": record.id, "begun": begun, "standing": seal_of_standing(row), "journal": begun}
            await connection.execute(insert(ChangeRow).values(row))
            await connection.execute(insert(SealRow).values(seals))

    async def save_change(self, record: ChangeRecord) -> None:
        """Write a change's state, trial, outcomes, culprits and end; never its plan. Once kept, what it says stands."""
        async with self._database.writing() as connection:
            row = _change_row(record)
            moved = {name: row[name] for name in MOVING}
            result = await connection.execute(update(ChangeRow).where(col(ChangeRow.id) == record.id).values(moved))
            if not result.rowcount:
                raise StoreTrouble(f"change {record.id} was never begun", where=self._database.where)
            seal = update(SealRow).where(col(SealRow.change) == record.id).values(standing=seal_of_standing(row))
            await connection.execute(seal)
            if record.state is ChangeState.KEPT:
                await put_kept(self._database, connection, record)

    async def change(self, change: str) -> ChangeRecord | None:
        """The change of this id. Raises `StoreTrouble` where it is not what was written."""
        async with self._database.reading() as connection:
            numbers = (await connection.execute(NUMBERS.where(col(ChangeRow.id) == change))).scalars().all()
            if not numbers:
                await self._verifying.absent(connection, change)
            found = next(iter((await self._verifying.changes(connection, numbers)).values()), None)
            if isinstance(found, Unsound):
                raise found
            if found is not None and found.id != change:
                raise self._verifying.another(change)
            return found

    async def changes(self, limit: int = 50, *, before: str = "") -> tuple[ChangeRecord, ...]:
        """Changes, last begun first, of those begun before one; without those not as written, which `damaged` names."""
        found: list[ChangeRecord] = []
        async with self._database.reading() as connection:
            query = NUMBERS.order_by(NUMBER.desc())
            last = NUMBERS.where(col(ChangeRow.id) == before).scalar_subquery()
            ahead = query.where(last > NUMBER) if before else query
            while len(found) < limit:
                numbers = (await connection.execute(ahead.limit(limit - len(found)))).scalars().all()
                if not numbers:
                    break
                found += _sound(await self._verifying.changes(connection, numbers))
                ahead = query.where(numbers[-1] > NUMBER)
        return tuple(found)

    async def unfinished(self) -> tuple[ChangeRecord, ...]:
        """Changes that have not ended, first begun first; without those that `damaged` names."""
        async with self._database.reading() as connection:
            numbers = (await connection.execute(UNFINISHED)).scalars().all()
            found = await self._verifying.changes(connection, numbers)
            return tuple([r for r in _sound(found) if not await self._verifying.fault_of_journal(connection, r.id)])

    async def damaged(self) -> tuple[str, ...]:
        """What is wrong with changes that are not what was written, in words, one each.

        Those that have not ended are read wholly. Of the others it is only seen that they are there and have ended;
        what else is stored of them is held against its seals when it is asked for.
        """
        async with self._database.reading() as connection:
            return await self._verifying.damaged(connection)

    async def journal(self, entries: Sequence[JournalEntry]) -> None:
        """Write journal entries. Concurrent calls share one commit; a cancelled call may have been written.

        The numbers of a change's entries rise in the order of the calls.
        """
        if entries:
            await self._journal.write(entries)

    async def entries(self, change: str) -> tuple[JournalEntry, ...]:
        """The journal of a change, by number. Raises `StoreTrouble` where it is not what was written."""
        async with self._database.reading() as connection:
            return await self._verifying.journal(connection, change)

    async def settled(self) -> None:
        """Wait until the journal has written all it was given."""
        await self._journal.settled()

    async def _write_entries(self, entries: Sequence[JournalEntry]) -> None:
        async with self._database.writing() as connection:
            tails = await _tails(connection, {entry.change for entry in entries})
            rows = []
            for entry in entries:
                if entry.change not in tails:
                    raise UnfitRow(f"change {entry.change} was never begun", where=self._database.where)
                try:
                    rows.append(tails[entry.change].add(edge.plain(entry) | {"at": entry.at}))
                except ValueError as error:
                    raise UnfitRow(f"a journal entry cannot be stored ({error})", where=self._database.where) from error
            await connection.execute(insert(JournalRow), rows)
            moved = [{"of": change, "last": tail.last_entry, "seal": tail.seal} for change, tail in tails.items()]
            await connection.execute(MOVE_TAIL, moved)


async def _tails(connection: AsyncConnection, changes: Iterable[str]) -> dict[str, Tail]:
    """Where the journals of changes end; nobody else moves these ends within the transaction."""
    columns = (col(SealRow.change), col(SealRow.last_entry), col(SealRow.journal))
    query = select(*columns).where(columns[0].in_(sorted(changes))).order_by(columns[0]).with_for_update()
    return {row.change: Tail(row.last_entry, row.journal) for row in await connection.execute(query)}


def _sound(found: Mapping[int, ChangeRecord | Unsound]) -> list[ChangeRecord]:
    return [record for record in found.values() if isinstance(record, ChangeRecord)]


def _change_row(record: ChangeRecord) -> dict[str, Any]:
    row: dict[str, Any] = edge.plain(record)
    return row | {"started": record.started, "trial_until": record.trial_until, "ended": record.ended}
