"""What stands until something changes it: one value of a kind for each key, and the notices that were given."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final, TypeVar

from sqlalchemy import delete, select
from sqlalchemy.ext.asyncio import AsyncConnection
from sqlmodel import col

from fleet.model import edge
from fleet.model.change import ChangeRecord
from fleet.model.notice import Notice
from fleet.model.standing import LevelEnd, OperatorLevel, RoomMode
from fleet.store.area import Area
from fleet.store.database import Database
from fleet.store.tables import NoticeRow, StandingRow

T = TypeVar("T")

KINDS: Final[Mapping[type, str]] = {
    RoomMode: "mode",
    OperatorLevel: "level",
    LevelEnd: "level end",
}
"""What may stand, and its word in the database."""


class Standings(Area):
    """The area of `Store` for what stands, and for notices."""

    async def save_standing(self, key: str, value: object) -> None:
        """Let a value stand for its kind and this key, in place of the one before."""
        async with self._database.writing() as connection:
            await put(self._database, connection, key, value)

    async def drop_standing(self, kind: type, key: str) -> None:
        """Let nothing stand for a kind and a key."""
        async with self._database.writing() as connection:
            await _drop(connection, kind, key)

    async def standing(self, kind: type[T]) -> Mapping[str, T]:
        """The values of a kind by key."""
        query = select(col(StandingRow.key), col(StandingRow.body)).where(col(StandingRow.kind) == KINDS[kind])
        async with self._database.reading() as connection:
            rows = (await connection.execute(query.order_by(col(StandingRow.key)))).all()
        return {row.key: self._read_back(kind, row.body) for row in rows}

    async def save_notice(self, notice: Notice) -> None:
        """Write a notice down."""
        row = {"id": notice.id, "at": notice.at, "body": edge.plain(notice)}
        async with self._database.writing() as connection:
            await connection.execute(self._database.insert_or_update(NoticeRow, key="id"), [row])

    async def notices(self, limit: int = 50, since: datetime | None = None) -> tuple[Notice, ...]:
        """Notices, last given first, none older than `since`."""
        query = select(col(NoticeRow.body)).order_by(col(NoticeRow.number).desc()).limit(limit)
        if since is not None:
            query = query.where(col(NoticeRow.at) >= since)
        async with self._database.reading() as connection:
            rows = (await connection.execute(query)).scalars().all()
        return tuple(self._read_back(Notice, body) for body in rows)


async def put(database: Database, connection: AsyncConnection, key: str, value: object) -> None:
    """The same as `save_standing`, within a transaction."""
    row: dict[str, Any] = {"kind": KINDS[type(value)], "key": key, "body": edge.plain(value)}
    await connection.execute(database.insert_or_update(StandingRow, key="kind", and_key="key"), [row])


async def put_kept(database: Database, connection: AsyncConnection, record: ChangeRecord) -> None:
    """What a change that is kept now lets stand: modes of rooms, and levels that somebody chose."""
    assert record.ended is not None
    for room, mode in record.plan.then.modes.items():
        value = RoomMode(room=room, mode=mode, since=record.ended, who=record.who, change=record.id)
        await put(database, connection, room, value)
    for key, level_db in record.plan.then.levels_db.items():
        if level_db is None:
            await _drop(connection, OperatorLevel, key)
            continue
        room, position = key.split("/")
        level = OperatorLevel(
            room=room, position=position, level_db=level_db, at=record.ended, who=record.who, change=record.id
        )
        await put(database, connection, key, level)


async def _drop(connection: AsyncConnection, kind: type, key: str) -> None:
    where = (col(StandingRow.kind) == KINDS[kind], col(StandingRow.key) == key)
    await connection.execute(delete(StandingRow).where(*where))
