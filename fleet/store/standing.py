"""What stands until something changes it: one value of a kind for each key, and the notices that were given."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final, TypeVar

from sqlalchemy import delete, select
from sqlalchemy.ext.asyncio import AsyncConnection
from sqlmodel import col

from fleet.model import edge
from fleet.model.access import AccessSession, AccessToken
from fleet.model.change import ChangeRecord
from fleet.model.deviation import AgreedDeviation
from fleet.model.episode import AccountedFor, Episode
from fleet.model.guest import GuestSession
from fleet.model.notice import Notice
from fleet.model.receiver import Delivery
from fleet.model.repair import Repairs
from fleet.model.selecting import ContactMark, ScheduleMark, ToldOff
from fleet.model.standing import LevelEnd, LevelsTold, OperatorLevel, OurMute, RoomMode, SlotsWritten, level_place
from fleet.reconcile.muted import mutes_of
from fleet.store.area import Area
from fleet.store.database import Database
from fleet.store.tables import NoticeRow, StandingRow

T = TypeVar("T")

KINDS: Final[Mapping[type, str]] = {
    RoomMode: "mode",
    ScheduleMark: "schedule",
    ContactMark: "contact",
    ToldOff: "told off",
    OperatorLevel: "level",
    LevelEnd: "level end",
    LevelsTold: "levels told",
    OurMute: "mute",
    AgreedDeviation: "deviation",
    GuestSession: "guest",
    SlotsWritten: "slots written",
    Delivery: "delivery",
    Episode: "episode",
    AccountedFor: "accounted for",
    Repairs: "repairs",
    AccessToken: "access token",
    AccessSession: "access session",
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

    async def save_notice(self, notice: Notice, beside: Mapping[str, object] | None = None) -> None:
        """Write a notice down, and let the values `beside` it stand for their keys: all or nothing."""
        row = {"id": notice.id, "at": notice.at, "body": edge.plain(notice)}
        async with self._database.writing() as connection:
            await connection.execute(self._database.insert_or_update(NoticeRow, key="id"), [row])
            for key, value in (beside or {}).items():
                await put(self._database, connection, key, value)

    async def notices(self, limit: int = 50, since: datetime | None = None, *, before: str = "") -> tuple[Notice, ...]:
        """Notices, last given first, none older than `since`, of those given before one."""
        query = select(col(NoticeRow.body)).order_by(col(NoticeRow.number).desc()).limit(limit)
        if since is not None:
            query = query.where(col(NoticeRow.at) >= since)
        if before:
            number = select(col(NoticeRow.number)).where(col(NoticeRow.id) == before).scalar_subquery()
            query = query.where(col(NoticeRow.number) < number)
        async with self._database.reading() as connection:
            rows = (await connection.execute(query)).scalars().all()
        return tuple(self._read_back(Notice, body) for body in rows)


async def put(database: Database, connection: AsyncConnection, key: str, value: object) -> None:
    """The same as `save_standing`, within a transaction."""
    row: dict[str, Any] = {"kind": KINDS[type(value)], "key": key, "body": edge.plain(value)}
    await connection.execute(database.insert_or_update(StandingRow, key="kind", and_key="key"), [row])


async def put_kept(database: Database, connection: AsyncConnection, record: ChangeRecord) -> None:
    """What a change that is kept now lets stand: modes, chosen levels, mutes, when slots were written."""
    assert record.ended is not None
    for room, mode in record.plan.then.modes.items():
        value = RoomMode(room=room, mode=mode, since=record.ended, who=record.who, change=record.id)
        await put(database, connection, room, value)
    for key, level_db in record.plan.then.levels_db.items():
        if level_db is None:
            await _drop(connection, OperatorLevel, key)
            continue
        room, position, mode = level_place(key)
        level = record.plan.then.chosen.get(key) or OperatorLevel(
            room=room,
            position=position,
            level_db=level_db,
            at=record.ended,
            who=record.who,
            change=record.id,
            mode=mode,
        )
        await put(database, connection, key, level)
    for key, mute in mutes_of(record).items():
        if mute is None:
            await _drop(connection, OurMute, key)
        else:
            await put(database, connection, key, mute)
    for device in record.plan.devices:
        if any(work.slot_contents for work in device.work.values()):
            written = SlotsWritten(device=device.device, at=record.ended, change=record.id)
            await put(database, connection, device.device, written)
    if (end := level_end(record)) is not None:
        await put(database, connection, record.id, end)


def level_end(record: ChangeRecord) -> LevelEnd | None:
    """When and how the levels of a kept change are to be taken back, where they are."""
    plan = record.plan
    if plan.then.until is None:
        return None
    return LevelEnd(
        change=record.id,
        room=plan.rooms[0],
        until=plan.then.until,
        who=record.who,
        back_db=plan.then.back_db,
        chosen=plan.was.chosen,
    )


async def _drop(connection: AsyncConnection, kind: type, key: str) -> None:
    where = (col(StandingRow.kind) == KINDS[kind], col(StandingRow.key) == key)
    await connection.execute(delete(StandingRow).where(*where))
