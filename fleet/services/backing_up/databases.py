"""A consistent copy of the database in one file, and a database made from it."""

from __future__ import annotations

import os
import re
import shutil
import sqlite3
import subprocess
from pathlib import Path
from urllib.parse import quote, unquote

from fleet.errors import StoreTrouble
from fleet.model.names import shown
from fleet.services.backing_up.manifest import DATABASE, DatabaseKind
from fleet.store.database import SQLITE
from fleet.store.trouble import told_in_words

MEMBERS: dict[DatabaseKind, str] = {"sqlite": f"{DATABASE}fleet.db", "postgresql": f"{DATABASE}fleet.pgdump"}
INSTALL = "Install PostgreSQL's client programs (Debian: apt install postgresql-client)."
OF_A_KEY = "sslpassword="
_PASSWORD = re.compile(r"^(\w+://[^:/@]*):([^/]*)@")
_IN_QUERY = re.compile(r"([?&])password=([^&]*)&?")


def kind_of(url: str) -> DatabaseKind:
    """Which database a URL names."""
    return "sqlite" if url.startswith(SQLITE) else "postgresql"


def copy_out(url: str, copy: Path) -> None:
    """Write a consistent copy to a new file, also while a daemon writes. Raises `StoreTrouble`.

    Of PostgreSQL this is what `pg_dump` makes; the tool has no dump of its own.
    """
    if kind_of(url) == "sqlite":
        _copy_sqlite(url.removeprefix(SQLITE), copy)
    else:
        _run("pg_dump", url, ["--format=custom", "--no-owner", "--no-privileges", f"--file={copy}"])


def bring_in(url: str, copy: Path) -> None:
    """Make the tables of a PostgreSQL database from a copy, all or nothing. Raises `StoreTrouble`."""
    _run("pg_restore", url, ["--no-owner", "--no-privileges", "--exit-on-error", "--single-transaction", str(copy)])


def close_up(copy: Path) -> None:
    """Put everything of an SQLite copy into its one file. Raises `StoreTrouble`."""
    with told_in_words(str(copy)):
        connection = sqlite3.connect(copy)
        try:
            connection.execute("PRAGMA journal_mode = DELETE")
        finally:
            connection.close()


def check_sqlite(path: Path) -> None:
    """Follow the whole structure of a file. Raises `StoreTrouble` where it is damaged."""
    with told_in_words(str(path)):
        connection = sqlite3.connect(f"file:{quote(str(path))}?mode=ro", uri=True)
        try:
            (found,) = connection.execute("PRAGMA quick_check(1)").fetchone()
        finally:
            connection.close()
    if found != "ok":
        said = " ".join(str(found).split())
        raise StoreTrouble(f"the database is damaged ({said})", where=str(path), remedy="Use another backup.")


def _copy_sqlite(path: str, copy: Path) -> None:
    if not Path(path).is_file():
        raise StoreTrouble("there is no database", where=path, remedy="Has a daemon run in this home? Give --home.")
    with told_in_words(path):
        source = sqlite3.connect(f"file:{quote(path)}?mode=ro", uri=True)
        target = sqlite3.connect(copy)
        try:
            source.backup(target)
        finally:
            target.close()
            source.close()
    check_sqlite(copy)


def without_password(url: str) -> tuple[str, str | None]:
    """A URL that every user of this machine may see, and the password that was in it."""
    found = _PASSWORD.match(url)
    bare = _PASSWORD.sub(r"\1@", url)
    in_query = _IN_QUERY.search(bare)
    bare = _IN_QUERY.sub(r"\1", bare).rstrip("?&")
    if in_query is not None:
        return bare, unquote(in_query[2])
    return bare, unquote(found[2]) if found is not None else None


def _run(program: str, url: str, words: list[str]) -> None:
    """Run a program of PostgreSQL on this database; the password goes through the environment, which is private."""
    found = shutil.which(program)
    if found is None:
        raise StoreTrouble(f"a backup of PostgreSQL needs {program}, which is not installed", remedy=INSTALL)
    bare, password = without_password(url)
    if OF_A_KEY in bare:
        what = f"{program} takes the password of a key as an argument only, which every user of this machine can read"
        raise StoreTrouble(what, remedy="Name a key without a password in the URL, a file that is its owner's alone.")
    inherited = {n: v for n, v in os.environ.items() if not n.startswith("FLEET_")}
    environment = {**inherited, "PGCONNECT_TIMEOUT": "10", "LC_ALL": "C"}
    if password is not None:
        environment["PGPASSWORD"] = password
    command = [found, *words, f"--dbname={bare}"]
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    if done.returncode:
        said = shown((done.stderr.strip().splitlines() or ["it said nothing"])[0], 300)
        raise StoreTrouble(f"{program} failed: {said}", where=bare)
