"""Does the database open, is it whole, and is its last entry in the past. It is only read."""

from __future__ import annotations

import asyncio
import re
import sqlite3
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import quote

from fleet.errors import StoreTrouble
from fleet.model.venue_time import on_the_clock
from fleet.services.self_check.result import Result, not_checked, ok, trouble
from fleet.store.database import SQLITE
from fleet.store.postgresql import connector
from fleet.store.tables import Row, UtcTime
from fleet.store.trouble import told_in_words, trouble_of_driver

DATABASE, CLOCK = "database", "clock against database"
ALLOWED = timedelta(seconds=5)
"""How far the last entry may be ahead: clocks that are kept in step by the network are closer."""
NOT_WRITTEN_THEN = frozenset({"until", "trial_until"})
"""Columns with times to come."""

Ask = Callable[[str], Awaitable[Any]]


async def check_database(url: str, now: datetime) -> list[Result]:
    """The database at a URL, and the system's clock against what was written last."""
    where = url.removeprefix(SQLITE) if url.startswith(SQLITE) else re.sub("//.*@", "//", url.partition("?")[0])
    try:
        if url.startswith(SQLITE):
            return await asyncio.to_thread(_sqlite, where, now)
        return await _postgresql(url, where, now)
    except StoreTrouble as error:
        remedy = error.remedy or "Check the database's address and that it runs."
        return [
            trouble(DATABASE, f"{where}: {error.what}", remedy),
            not_checked(CLOCK, "the database cannot be read"),
        ]


def check_clock(last: datetime | None, now: datetime) -> Result:
    """The system's clock is not before the last entry. Times are told in the zone of `now`."""
    if last is None:
        return not_checked(CLOCK, "nothing was written yet")
    if last > now + ALLOWED:
        words = f"the clock says {_told(now, now)}, and the last entry is of {_told(last, now)}"
        return trouble(CLOCK, words, "Set the clock right, and let it be kept so (NTP).")
    return ok(CLOCK, f"the last entry is of {_told(last, now)}, before now")


def _told(at: datetime, now: datetime) -> str:
    return on_the_clock(at, now.tzinfo or UTC, "seconds")


def _sqlite(path: str, now: datetime) -> list[Result]:
    if not Path(path).exists():
        absent = f"{path} is not there yet"
        return [not_checked(DATABASE, absent, "A daemon makes it at its first start."), not_checked(CLOCK, absent)]
    with told_in_words(path):
        connection = sqlite3.connect(f"file:{quote(path)}?mode=ro", uri=True, timeout=5)
        try:
            (found,) = connection.execute("PRAGMA quick_check(1)").fetchone()
            times = [connection.execute(query).fetchone()[0] for query in _known(connection)]
        finally:
            connection.close()
    if found != "ok":
        remedy = "Put it aside, and restore a backup: fleet restore."
        return [
            trouble(DATABASE, f"{path} is damaged ({' '.join(str(found).split())})", remedy),
            not_checked(CLOCK, "the database is damaged"),
        ]
    written = [datetime.fromisoformat(t).replace(tzinfo=UTC) for t in times if t]
    return [ok(DATABASE, f"{path} opens, and is whole"), check_clock(max(written, default=None), now)]


def _known(connection: sqlite3.Connection) -> list[str]:
    tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    return _queries(tables)


def _queries(tables: set[str]) -> list[str]:
    """Queries for the latest time in each column that says when something was written."""
    return [
        f'SELECT max("{column.name}") FROM "{table.name}"'  # noqa: S608  # names of our own tables
        for table in Row.metadata.sorted_tables
        for column in table.columns
        if table.name in tables and isinstance(column.type, UtcTime) and column.name not in NOT_WRITTEN_THEN
    ]


async def _postgresql(url: str, where: str, now: datetime) -> list[Result]:
    connection = await connector(url, where)()
    try:
        rows = await connection.fetch("SELECT tablename FROM pg_tables WHERE schemaname = ANY (current_schemas(false))")
        times = [await connection.fetchval(query) for query in _queries({row["tablename"] for row in rows})]
    except Exception as error:  # asyncpg has no root class that its import would not cost everybody
        raise trouble_of_driver(error, where) from error
    finally:
        await connection.close()
    written = [t.replace(tzinfo=UTC) if t.tzinfo is None else t for t in times if t]
    return [ok(DATABASE, f"{where} answers"), check_clock(max(written, default=None), now)]
