"""What the areas of the store have in common: a database, writing values of the model down, and reading them back."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from typing import Any, TypeVar

from sqlalchemy import ColumnElement, select

from fleet.errors import BadInput
from fleet.model import edge
from fleet.store.database import Database
from fleet.store.tables import Row, columns_of
from fleet.store.trouble import Unsound

T = TypeVar("T")


class Area:
    """One area of the store, on a database."""

    def __init__(self, database: Database) -> None:
        self._database = database

    async def _save(self, table: type[Row], value: object, **times: datetime | None) -> None:
        """Write a value down in the row of its id, or how it stands now; `times` are its members that are times."""
        row: dict[str, Any] = edge.plain(value) | times
        async with self._database.writing() as connection:
            await connection.execute(self._database.insert_or_update(table, key="id"), [row])

    async def _newest(
        self, table: type[Row], kind: type[T], *where: ColumnElement[bool], limit: int | None = None
    ) -> tuple[T, ...]:
        """Rows of a numbered table as values, last written first."""
        columns = columns_of(table, without=())
        number = next(column for column in columns if column.name == "number")
        query = select(*columns_of(table)).where(*where).order_by(number.desc()).limit(limit)
        async with self._database.reading() as connection:
            rows = (await connection.execute(query)).mappings().all()
        return tuple(self._read_back(kind, dict(row)) for row in rows)

    def _read_back(self, kind: type[T], stored: object) -> T:
        """Stored plain data as a value of the model."""
        with self._understood():
            return edge.parse(kind, stored)

    @contextmanager
    def _understood(self) -> Iterator[None]:
        """Turn what the model does not take back into `Unsound`: somebody else wrote it."""
        try:
            yield
        except BadInput as error:
            where = self._database.where
            raise Unsound(f"the database holds what this release cannot read ({error})", where=where) from error
