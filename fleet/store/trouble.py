"""Every way a database can fail, told as `StoreTrouble` in a person's words."""

from __future__ import annotations

import errno
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from socket import gaierror

from sqlalchemy.exc import DataError, DBAPIError, IntegrityError, SQLAlchemyError, StatementError

from fleet.errors import StoreTrouble


class UnfitRow(StoreTrouble):
    """What was to be written cannot be: it is there already, belongs to nothing, or no column can hold it."""


class Unsound(StoreTrouble):
    """What is stored is not what was written, or not what this release can read."""


@contextmanager
def told_in_words(where: str) -> Iterator[None]:
    """Turn errors of SQLAlchemy, a driver or the system into `StoreTrouble` at `where`."""
    try:
        yield
    except SQLAlchemyError as error:
        raise _trouble(error, where) from error
    except (UnicodeError, OverflowError) as error:
        raise UnfitRow(f"a value cannot be stored ({_line(error)})", where=where) from error
    except (OSError, sqlite3.Error) as error:
        raise trouble_of_driver(error, where) from error


def trouble_of_driver(error: BaseException, where: str) -> StoreTrouble:
    """`StoreTrouble` for an error as SQLite, PostgreSQL or the system raised it."""
    what, remedy = _words(error)
    kind = Unsound if what == DAMAGED else StoreTrouble
    return kind(what, where=where, remedy=remedy)


def _trouble(error: SQLAlchemyError, where: str) -> StoreTrouble:
    if isinstance(error, IntegrityError):
        return UnfitRow(f"what was to be written contradicts what is stored ({_line(error.orig)})", where=where)
    if isinstance(error, DataError) or (isinstance(error, StatementError) and not isinstance(error, DBAPIError)):
        return UnfitRow(f"a value cannot be stored ({_line(error.orig)})", where=where)
    return trouble_of_driver((error.orig if isinstance(error, StatementError) else None) or error, where)


DAMAGED = "the database is damaged"
READ_ONLY = ("the database is read-only", "Allow this user to write the file and its folder")
FULL = ("the disk is full", "Free some space and try again")

SQLITE_WORDS = {
    "FULL": FULL,
    "READONLY": READ_ONLY,
    "PERM": ("this user may not use the file", "Allow this user to write the file and its folder"),
    "CANTOPEN": ("the file cannot be opened", "Check that its folder exists and that this user may write there"),
    "BUSY": ("another process has locked the database", "Find out what else uses it, and try again"),
    "LOCKED": ("the database is locked", "Try again"),
    "NOTADB": ("this file is not a database", "Name another file, or put this one aside"),
    "CORRUPT": (DAMAGED, "Restore it from a backup"),
    "IOERR": ("the disk cannot be read or written", "Check the disk"),
}

SYSTEM_WORDS = {errno.ENOSPC: FULL, errno.EDQUOT: FULL, errno.EROFS: READ_ONLY, errno.EACCES: READ_ONLY}

# PostgreSQL documentation, appendix A, "PostgreSQL Error Codes": whole codes first, then classes of two letters.
POSTGRES_WORDS = {
    "25006": ("the database is read-only", "Connect to the primary server, as a user who may write"),
    "28000": ("this user may not connect", "Check the user's name in the URL and the server's access rules"),
    "28P01": ("the password is wrong", "Check the user's name and password in the URL"),
    "3D000": ("the server has no database of this name", "Create it, or correct the URL"),
    "42501": ("this user lacks a permission", "Make the user the owner of the database"),
    "53100": ("the server's disk is full", "Free some space on the server and try again"),
    "53300": ("the server has no connection left", "Close other programs' connections, or raise its limit"),
    "08": ("the connection to the server broke", "Check the server and the network, and try again"),
    "40": ("another process was writing the same rows", "Try again"),
    "55": ("another process holds a lock on the database", "Try again"),
    "57": ("the server is starting or stopping, or cut the connection", "Try again when it is up"),
}


def _words(error: BaseException) -> tuple[str, str]:
    """What happened and what to do, by SQLite's error name, PostgreSQL's code, or the kind of system error."""
    name = str(getattr(error, "sqlite_errorname", "")).removeprefix("SQLITE_").split("_")[0]
    code = str(getattr(error, "sqlstate", None) or "")
    known = SQLITE_WORDS.get(name) or POSTGRES_WORDS.get(code) or POSTGRES_WORDS.get(code[:2])
    known = known or SYSTEM_WORDS.get(getattr(error, "errno", None) or 0)
    if known:
        return known
    if isinstance(error, sqlite3.OperationalError) and str(error).startswith("Could not decode to UTF-8"):
        return SQLITE_WORDS["CORRUPT"]
    if isinstance(error, ConnectionRefusedError):
        return "the server refuses connections", "Check that it runs, and its address and port in the URL"
    if isinstance(error, gaierror):
        return "no server of this name is known", "Check the host in the URL"
    if isinstance(error, TimeoutError):
        return "the server does not answer in time", "Check the server and the network, and try again"
    return f"the database does not work ({_line(error)})", ""


def _line(error: BaseException | None) -> str:
    """The first line of a driver's own text, without the names of its classes."""
    lines = str(error).strip().splitlines() or [type(error).__name__]
    return lines[0].rsplit(">: ", 1)[-1]
