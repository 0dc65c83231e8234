"""What the areas of the store have in common: a database, and reading back into the model."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TypeVar

from fleet.errors import BadInput
from fleet.model import edge
from fleet.store.database import Database
from fleet.store.trouble import Unsound

T = TypeVar("T")


class Area:
    """One area of the store, on a database."""

    def __init__(self, database: Database) -> None:
        self._database = database

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
