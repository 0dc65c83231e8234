"""Bring a database to this release's tables when it is opened, and refuse one that is not ours or is newer."""

from __future__ import annotations

import asyncio
from contextlib import AsyncExitStack
from functools import cache
from pathlib import Path
from weakref import WeakKeyDictionary

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, inspect, text

from fleet.errors import StoreTrouble
from fleet.store.database import Database

SCRIPTS = Path(__file__).parent / "migrations"
VERSION_TABLE = "fleet_schema"
LOCK = 0x666C656574
"""Key of PostgreSQL's advisory lock under which one process at a time migrates: "fleet" in ASCII."""
_turns: WeakKeyDictionary[asyncio.AbstractEventLoop, asyncio.Lock] = WeakKeyDictionary()
"""One migration at a time in a process: alembic's `op` and `context` are global to it."""


async def migrate(database: Database) -> None:
    """Run the missing migrations in one transaction; processes that open a database together take turns.

    Raises `StoreTrouble` for a database of a newer release or of another program, and for one that a daemon owns
    whose tables would be changed beneath it.
    """
    async with AsyncExitStack() as owned, database.writing() as connection:
        if not database.is_sqlite:
            await connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": LOCK})
        async with _turns.setdefault(asyncio.get_running_loop(), asyncio.Lock()):
            found = await connection.run_sync(_found, database.where)
            if found == _newest():
                return
            if found:
                owned.push_async_callback(database.lock.release)
                await _own(database)
            await connection.run_sync(_upgrade)


async def _own(database: Database) -> None:
    if not await database.lock.take():
        raise StoreTrouble(
            "a daemon of an earlier release uses this database, which has to be changed for this one",
            where=database.where,
            remedy="Stop that daemon first",
        )


def _config(**attributes: object) -> Config:
    config = Config(attributes=attributes)
    config.set_main_option("script_location", str(SCRIPTS).replace("%", "%%"))
    return config


@cache
def _scripts() -> ScriptDirectory:
    return ScriptDirectory.from_config(_config())


def _newest() -> set[str]:
    return set(_scripts().get_heads())


def _upgrade(connection: Connection) -> None:
    command.upgrade(_config(connection=connection), "head")


def _found(connection: Connection, where: str) -> set[str]:
    """The migrations the database has had; none for a new one."""
    known = {revision.revision for revision in _scripts().walk_revisions()}
    found = set(MigrationContext.configure(connection, opts={"version_table": VERSION_TABLE}).get_current_heads())
    if found - known:
        raise StoreTrouble(
            "this database was written by a newer release", where=where, remedy="Install that release or a later one"
        )
    if not found and inspect(connection).get_table_names():
        raise StoreTrouble(
            "this database belongs to another program", where=where, remedy="Name another database, or a new one"
        )
    return found
