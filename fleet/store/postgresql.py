"""PostgreSQL: how connections are made, and the lock by which one process owns a database."""

from __future__ import annotations

import os
from collections.abc import Awaitable, Callable
from typing import Any
from urllib.parse import parse_qs, urlsplit

from sqlalchemy.ext.asyncio import AsyncEngine, create_async_engine

from fleet.errors import StoreTrouble
from fleet.store.trouble import trouble_of_driver

CONNECT_S = 10
STATEMENT_S = 60
ANSWER_S = 5
OWNER_LOCK = 0x666C656575
"""Key of the advisory lock that the owner of a database has; the one beside it is `migrate.LOCK`."""
KEEPALIVES = {"tcp_keepalives_idle": "5", "tcp_keepalives_interval": "5", "tcp_keepalives_count": "3"}
"""PostgreSQL documentation, "Connection settings": the server gives up a host that went silent after 20 s."""
SETTINGS = {"application_name": "fleet", "synchronous_commit": "on", **KEEPALIVES}

LIBPQ_VARIABLE = "PGPASSWORD"
"""PostgreSQL documentation, "Environment Variables" of libpq."""

Connect = Callable[[], Awaitable[Any]]


def connector(url: str, where: str) -> Connect:
    """Makes connections; a failure is `StoreTrouble`. Raises it at once where the driver is not installed.

    A password in the environment is taken here and now, so that it may leave the environment afterwards.
    """
    try:
        import asyncpg  # type: ignore[import-untyped] # noqa: PLC0415 - untyped; an optional dependency
    except ImportError:
        raise StoreTrouble(
            "PostgreSQL needs a driver that is not installed",
            where=where,
            remedy="Install the `postgres` extra: pip install 'venue-fleet[postgres]'",
        ) from None

    password = _password_beside(url)

    async def connect() -> Any:
        # asyncpg reads the URL itself, so that everything libpq allows in one (sslmode, host=…) works.
        limits = {"timeout": CONNECT_S, "command_timeout": STATEMENT_S}
        try:
            return await asyncpg.connect(url, password=password, **limits, server_settings=SETTINGS)
        except (asyncpg.PostgresError, asyncpg.InterfaceError, OSError, OverflowError, ValueError) as error:
            raise trouble_of_driver(error, where) from error

    return connect


def _password_beside(url: str) -> str | None:
    """That of the environment, where the URL has none."""
    try:
        parts = urlsplit(url)
    except ValueError:
        return None  # asyncpg says what is wrong with it
    in_url = parts.password or "password" in parse_qs(parts.query)
    return None if in_url else os.environ.get(LIBPQ_VARIABLE)


def postgresql_engine(connect: Connect) -> AsyncEngine:
    """A pool of connections; one that broke is made anew."""
    return create_async_engine("postgresql+asyncpg://", async_creator=connect, pool_pre_ping=True)


class SessionLock:
    """Ownership by a session's advisory lock, on a connection of its own: the lock ends with the connection.

    It needs a session of the server itself; behind a pooler that lends sessions by transaction it means nothing.
    """

    def __init__(self, connect: Connect, where: str) -> None:
        self._connect = connect
        self._where = where
        self._connection: Any = None

    @property
    def held(self) -> bool:
        """True while the connection has not been seen to break."""
        return self._connection is not None and not self._connection.is_closed()

    async def take(self) -> bool:
        """Own the database; False where another does. Raises `StoreTrouble` where the server cannot be asked."""
        await self.release()
        connection = await self._connect()
        try:
            taken = await connection.fetchval("SELECT pg_try_advisory_lock($1)", OWNER_LOCK, timeout=ANSWER_S)
        except Exception as error:
            connection.terminate()
            raise trouble_of_driver(error, self._where) from error
        except BaseException:
            connection.terminate()
            raise
        if not taken:
            connection.terminate()
            return False
        self._connection = connection
        return True

    async def still_held(self) -> bool:
        """Ask over the connection; no answer in time ends it."""
        if not self.held:
            return False
        try:
            await self._connection.execute("SELECT 1", timeout=ANSWER_S)
        except Exception:  # noqa: BLE001 - whatever it was: a lock that cannot be shown to be held is not
            self._connection.terminate()
            return False
        return True

    async def release(self) -> None:
        """Close the connection, and so give the database back."""
        connection, self._connection = self._connection, None
        if connection is not None and not connection.is_closed():
            try:
                await connection.close(timeout=ANSWER_S)
            except Exception:  # noqa: BLE001 - a connection that cannot be closed properly is cut
                connection.terminate()
