"""Walks."""

from __future__ import annotations

from typing import Any

from sqlalchemy import select
from sqlmodel import col

from fleet.model import edge
from fleet.model.walk import Walk
from fleet.store.area import Area
from fleet.store.tables import WalkRow, columns_of


class Walks(Area):
    """The area of `Store` for walks."""

    async def save_walk(self, walk: Walk) -> None:
        """Write a walk down, or how it stands now."""
        row: dict[str, Any] = edge.plain(walk) | {"began": walk.began, "ended": walk.ended}
        async with self._database.writing() as connection:
            await connection.execute(self._database.insert_or_update(WalkRow, key="id"), [row])

    async def walk(self, walk: str) -> Walk | None:
        """The walk of this id."""
        query = select(*columns_of(WalkRow)).where(col(WalkRow.id) == walk)
        async with self._database.reading() as connection:
            row = (await connection.execute(query)).mappings().first()
        return None if row is None else self._read_back(Walk, dict(row))

    async def walks(self) -> tuple[Walk, ...]:
        """All walks, last begun first."""
        query = select(*columns_of(WalkRow)).order_by(col(WalkRow.number).desc())
        async with self._database.reading() as connection:
            rows = (await connection.execute(query)).mappings().all()
        return tuple(self._read_back(Walk, dict(row)) for row in rows)
