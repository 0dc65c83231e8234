"""SQLite: how a file is opened and checked, and the lock by which one process owns it."""

from __future__ import annotations

import asyncio
import fcntl
import os
import sqlite3
from contextlib import suppress
from pathlib import Path
from typing import Any

import aiosqlite
from sqlalchemy import URL, Connection, event
from sqlalchemy.ext.asyncio import AsyncConnection, AsyncEngine, create_async_engine

from fleet.errors import StoreTrouble
from fleet.store.owning import WRITES
from fleet.store.trouble import told_in_words

PRAGMAS = ("busy_timeout = 5000", "journal_mode = WAL", "synchronous = FULL", "foreign_keys = ON")
BUSY_TRIES = 100
BUSY_PAUSE_S = 0.05
OWNER_ONLY = 0o600
RESTORE = "Put the file and those beside it with the same beginning aside, and restore them from a backup"


def sqlite_engine(path: str) -> AsyncEngine:
    """Connections to the file, prepared for durable writing and for readers beside the one writer."""
    engine = create_async_engine(URL.create("sqlite+aiosqlite", database=path))

    @event.listens_for(engine.sync_engine, "connect")
    def prepare(connection: Any, _: object) -> None:
        # The driver's own BEGIN comes late and not before DDL; ours comes first (see `begin`).
        connection.isolation_level = None
        connection.run_async(_set_pragmas)

    @event.listens_for(engine.sync_engine, "begin")
    def begin(connection: Connection) -> None:
        # A writer takes the lock at once: one that began by reading cannot wait for another writer.
        writes = connection.get_execution_options().get(WRITES)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


async def check_file(connection: AsyncConnection, path: str) -> None:
    """Read the whole file once and follow its structure. Raises `StoreTrouble` where that is damaged.

    `PRAGMA quick_check` takes a time that grows with the file and with nothing else; it compares no index with its
    table and no value with what was written, which is what the seals are for.
    """
    (found,) = (await connection.exec_driver_sql("PRAGMA quick_check(1)")).one()
    if found != "ok":
        said = " ".join(str(found).replace("*** in database main ***", "").split())
        raise StoreTrouble(f"the database is damaged ({said})", where=path, remedy=RESTORE)


def refuse_emptied(path: str) -> None:
    """Raise `StoreTrouble` for an empty file that a daemon has owned: it held more before. Any other one is new."""
    with told_in_words(path):
        file = Path(path)
        emptied = file.exists() and file.stat().st_size == 0 and owner_file(path).exists()
    if emptied:
        raise StoreTrouble(
            "the database is damaged (the file is empty)", where=path, remedy=f"{RESTORE}; or begin anew without them"
        )


def make_private(path: str) -> None:
    """Make a new file for its owner alone: SQLite would leave that to the umask. Those beside it take after it."""
    with suppress(OSError):  # of a folder that is missing or closed SQLite tells in the words of the store
        os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, OWNER_ONLY))


def owner_file(path: str) -> Path:
    """The file beside a database that its owner locks. It stays; what it means is the lock, not the file."""
    return Path(f"{os.path.realpath(path)}-owner")


class FileLock:
    """Ownership of an SQLite file by `flock`: the system gives it back when the process ends, however it ends."""

    def __init__(self, path: str) -> None:
        self._where = path
        self._path = owner_file(path)
        self._file: int | None = None

    @property
    def held(self) -> bool:
        """True while the locked file is the one that another process would try to lock."""
        if self._file is None:
            return False
        try:
            return os.path.samestat(os.fstat(self._file), self._path.stat())
        except OSError:
            return False

    async def take(self) -> bool:
        """Own the database; False where another does. Raises `StoreTrouble` where the file cannot be made."""
        await self.release()
        with told_in_words(self._where):
            file = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, OWNER_ONLY)
            try:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError as error:
                os.close(file)
                if isinstance(error, BlockingIOError):
                    return False
                raise
        self._file = file
        return True

    async def still_held(self) -> bool:
        """`held`, asked anew."""
        return self.held

    async def release(self) -> None:
        """Give the database back."""
        if self._file is not None:
            os.close(self._file)
            self._file = None


async def _set_pragmas(connection: aiosqlite.Connection) -> None:
    for pragma in PRAGMAS:
        for patience in range(BUSY_TRIES, 0, -1):
            try:
                await connection.execute_fetchall(f"PRAGMA {pragma}")
                break
            except sqlite3.OperationalError as error:
                # Where several make a new database, turning it to WAL fails at once, without `busy_timeout`.
                if error.sqlite_errorcode != sqlite3.SQLITE_BUSY or patience == 1:
                    raise
                await asyncio.sleep(BUSY_PAUSE_S)
