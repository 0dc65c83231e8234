"""Reading changes and journals back against their seals; what does not fit is told, and told of one change at a time.

SQLite hands out whatever the bytes of a damaged file spell: text that is none, a number where a text was. So a value
that cannot even be decoded counts as damage of its change, and the other changes are read all the same.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

from sqlalchemy import Select, exists, select
from sqlalchemy.ext.asyncio import AsyncConnection
from sqlmodel import col

from fleet.errors import BadInput
from fleet.model import edge
from fleet.model.change import ENDS, ChangeRecord, JournalEntry
from fleet.model.names import shown
from fleet.store.seals import RowOf, fault_of_change, fault_of_journal, seal_of_standing
from fleet.store.tables import ChangeRow, JournalRow, SealRow, columns_of
from fleet.store.trouble import DAMAGED, UnfitRow, Unsound, told_in_words

NUMBER: Any = col(ChangeRow.number)
SEALED = col(ChangeRow.id) == col(SealRow.change)
SEALS: tuple[Any, ...] = (col(SealRow.begun).label("begun"), col(SealRow.standing).label("standing"))
CHANGE = tuple(columns_of(ChangeRow))
ENTRY = tuple(columns_of(JournalRow, without={"seal"}))
CHANGES: Select[Any] = select(NUMBER, *CHANGE, *SEALS).outerjoin(SealRow, SEALED)
STANDINGS: Select[Any] = select(
    NUMBER, *columns_of(ChangeRow, without={"number", "plan"}), col(SealRow.standing).label("standing")
).outerjoin(SealRow, SEALED)
JOURNAL: Select[Any] = (
    select(col(SealRow.change).label("of"), *SEALS, col(SealRow.journal).label("last"), *ENTRY, col(JournalRow.seal))
    .outerjoin_from(SealRow, JournalRow, col(JournalRow.change) == col(SealRow.change))
    .order_by(col(JournalRow.number))
)
AT_ONCE = 100
UNDECODED = (ValueError, TypeError, AttributeError, ArithmeticError, RecursionError)
"""What decoding raises for a value of another kind than its column, or for text that is not JSON, a time or UTF-8."""
UNREAD = "a part of it cannot be read"
REMEDY = "Look at its devices and do not trust what is stored of it; restore the database from a backup"


class Verifying:
    """Reads what is sound of one database. `where` names it."""

    def __init__(self, where: str) -> None:
        self._where = where

    async def changes(
        self, connection: AsyncConnection, numbers: Sequence[int]
    ) -> Mapping[int, ChangeRecord | Unsound]:
        """The changes of these row numbers, in their order; in place of an unsound one what is wrong with it."""
        found: dict[int, ChangeRecord | Unsound] = {}
        for first in range(0, len(numbers), AT_ONCE):
            rows = await self._rows(connection, CHANGES, numbers[first : first + AT_ONCE])
            found |= {number: row if isinstance(row, Unsound) else self._record(row) for number, row in rows.items()}
        return found

    async def journal(self, connection: AsyncConnection, change: str) -> tuple[JournalEntry, ...]:
        """The journal of a change, by number; empty where there is no such change. Raises `Unsound`."""
        with self._decoded(change):
            rows = (await connection.execute(JOURNAL.where(col(SealRow.change) == change))).mappings().all()
            if not rows:
                await self.absent(connection, change)
                return ()
            if any(row["of"] != change for row in rows):
                raise self.another(change)
            entries = [row for row in rows if row["number"] is not None]
            if fault := fault_of_journal(entries, rows[0]["begun"], rows[0]["last"]):
                raise self._unsound(change, fault)
        try:
            return tuple(edge.parse(JournalEntry, {c.name: row[c.name] for c in ENTRY}) for row in entries)
        except BadInput as error:
            raise self._unreadable(change, error) from error

    async def absent(self, connection: AsyncConnection, change: str) -> None:
        """Raise `Unsound` where a change that was not found has left traces."""
        traces = (col(ChangeRow.id) == change, col(SealRow.change) == change, col(JournalRow.change) == change)
        for trace in traces:
            if (await connection.execute(select(exists().where(trace)))).scalar_one():
                raise self._unsound(change, "a part of it is missing")

    def another(self, change: str) -> Unsound:
        """The database handed out another change than the one it was asked for: an index of it is damaged."""
        return self._unsound(change, "another one is found in its place")

    async def damaged(self, connection: AsyncConnection) -> tuple[str, ...]:
        """What is wrong with changes, in words, one each.

        Those that have not ended are read wholly; of the others it is seen that they are there and have ended.
        """
        numbers = (await connection.execute(select(NUMBER).order_by(NUMBER))).scalars().all()
        faults: list[Unsound] = []
        for first in range(0, len(numbers), AT_ONCE):
            rows = await self._rows(connection, STANDINGS, numbers[first : first + AT_ONCE])
            doubtful = [n for n, row in rows.items() if isinstance(row, Unsound) or not self._has_ended(row)]
            faults += [fault for fault in await self._faults(connection, doubtful) if fault]
        lost = select(col(SealRow.change)).where(~exists().where(SEALED)).order_by(col(SealRow.change))
        faults += [self._unsound(change, "it is missing") for change in (await connection.execute(lost)).scalars()]
        return tuple(map(str, faults))

    async def _faults(self, connection: AsyncConnection, numbers: Sequence[int]) -> list[Unsound | None]:
        found = await self.changes(connection, numbers)
        return [
            change if isinstance(change, Unsound) else await self.fault_of_journal(connection, change.id)
            for change in found.values()
        ]

    async def fault_of_journal(self, connection: AsyncConnection, change: str) -> Unsound | None:
        """What is wrong with the journal of a change."""
        try:
            await self.journal(connection, change)
        except Unsound as fault:
            return fault
        return None

    async def _rows(
        self, connection: AsyncConnection, query: Select[Any], numbers: Sequence[int]
    ) -> Mapping[int, RowOf | Unsound]:
        """Rows by number; read one by one where they cannot be read together."""
        try:
            with self._decoded("of number " + ", ".join(map(str, numbers[:1]))):
                found = (await connection.execute(query.where(NUMBER.in_(numbers)))).mappings().all()
        except Unsound as fault:
            if len(numbers) == 1:
                return {numbers[0]: fault}
            rows: dict[int, RowOf | Unsound] = {}
            for number in numbers:
                rows |= await self._rows(connection, query, [number])
            return rows
        by_number: dict[int, RowOf] = {row["number"]: dict(row) for row in found}
        return {n: by_number.get(n, self._unsound(f"of number {n}", "it is missing")) for n in numbers}

    def _record(self, row: RowOf) -> ChangeRecord | Unsound:
        change = row["id"]
        try:
            with self._decoded(str(change)):
                if fault := fault_of_change(row, row["begun"], row["standing"]):
                    return self._unsound(str(change), fault)
        except Unsound as fault:
            return fault
        try:
            return edge.parse(ChangeRecord, {column.name: row[column.name] for column in CHANGE})
        except BadInput as error:
            return self._unreadable(change, error)

    def _has_ended(self, row: RowOf) -> bool:
        try:
            with self._decoded(str(row["id"])):
                return row["state"] in ENDS and seal_of_standing(row) == row["standing"]
        except Unsound:
            return False

    @contextmanager
    def _decoded(self, change: str) -> Iterator[None]:
        """Turn what cannot be decoded into `Unsound`, also where it is the database that says so."""
        try:
            with told_in_words(self._where):
                yield
        except Unsound as error:
            if error.what == DAMAGED:
                raise self._unsound(change, UNREAD) from error
            raise
        except (*UNDECODED, UnfitRow) as error:
            raise self._unsound(change, UNREAD) from error

    def _unsound(self, change: str, fault: str) -> Unsound:
        return Unsound(f"change {shown(change)} is damaged: {fault}", where=self._where, remedy=REMEDY)

    def _unreadable(self, change: str, error: BadInput) -> Unsound:
        return Unsound(f"change {change} holds what this release cannot read ({error})", where=self._where)
