"""Rooms on hold."""

from __future__ import annotations

from sqlalchemy import delete, insert, select
from sqlmodel import col

from fleet.model.edge import adapter
from fleet.model.hold import Hold
from fleet.store.area import Area
from fleet.store.tables import HoldRow


class Holds(Area):
    """The area of `Store` for holds: at most one a room."""

    async def save_hold(self, hold: Hold) -> None:
        """Put a room on hold, or replace its hold."""
        async with self._database.writing() as connection:
            await connection.execute(delete(HoldRow).where(col(HoldRow.room) == hold.room))
            await connection.execute(insert(HoldRow).values(adapter(Hold).dump_python(hold)))

    async def drop_hold(self, room: str) -> None:
        """Release a room."""
        async with self._database.writing() as connection:
            await connection.execute(delete(HoldRow).where(col(HoldRow.room) == room))

    async def holds(self) -> tuple[Hold, ...]:
        """All holds, those that have run out too, by room."""
        async with self._database.reading() as connection:
            rows = (await connection.execute(select(HoldRow).order_by(col(HoldRow.room)))).mappings().all()
        return tuple(Hold(**row) for row in rows)
