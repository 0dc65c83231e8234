"""Every store test runs on SQLite and on PostgreSQL, in a private cluster on a random loopback port."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import tempfile
import uuid
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from pathlib import Path
from typing import NoReturn

import aiosqlite
import asyncpg
import pytest

from fleet.store.protocol import Store
from fleet.store.sql import open_store

OTHER_USER = "postgres"
"""PostgreSQL refuses to run as root."""


class Cluster:
    """A PostgreSQL server of the tests' own, in a temporary folder."""

    def __init__(self, binaries: Path, folder: Path, port: int) -> None:
        self._binaries = binaries
        self._folder = folder
        self.port = port

    def start(self) -> None:
        data = str(self._folder / "data")
        self._run("initdb", "-D", data, "-A", "trust", "-U", "tester", "--no-sync", "-E", "UTF8", "--locale=C")
        options = f"-p {self.port} -k {self._folder} -c listen_addresses=127.0.0.1"
        self._run("pg_ctl", "-D", data, "-w", "-l", str(self._folder / "log"), "-o", options, "start")

    def stop(self) -> None:
        self._run("pg_ctl", "-D", str(self._folder / "data"), "-w", "-m", "immediate", "stop")

    def sql(self, statement: str, database: str = "postgres") -> None:
        at = ["-h", "127.0.0.1", "-p", str(self.port), "-U", "tester", "-d", database]
        self._run("psql", *at, "-q", "-v", "ON_ERROR_STOP=1", "-c", statement)

    def require_password(self, database: str, password: str) -> None:
        """A database with an owner of the same name, who alone must show a password."""
        rules = self._folder / "data" / "pg_hba.conf"
        rules.write_text(f"host all {database} 127.0.0.1/32 scram-sha-256\n{rules.read_text()}")
        self.sql(f"CREATE ROLE {database} LOGIN PASSWORD '{password}'")
        self.sql(f"CREATE DATABASE {database} OWNER {database}")
        self.sql("SELECT pg_reload_conf()")

    def url(self, database: str) -> str:
        return f"postgresql://tester@127.0.0.1:{self.port}/{database}"

    def _run(self, program: str, *arguments: str) -> None:
        command = [str(self._binaries / program), *arguments]
        if os.getuid() == 0:
            command = ["runuser", "-u", OTHER_USER, "--", *command]
        # Output goes to a file: the server inherits it, and a pipe would never end.
        with (self._folder / "output").open("w+") as output:
            done = subprocess.run(command, stdout=output, stderr=output, cwd=self._folder, check=False)
            output.seek(0)
            assert done.returncode == 0, output.read()


def not_here(reason: str) -> NoReturn:
    """A part is missing: a reason to skip, and a failure with FLEET_TEST_ALL=1."""
    if os.environ.get("FLEET_TEST_ALL") == "1":
        pytest.fail(reason)
    pytest.skip(reason)


@pytest.fixture(scope="session")
def cluster() -> Iterator[Cluster]:
    """A running PostgreSQL; tests that need it are skipped where there is none, or fail with FLEET_TEST_ALL=1."""
    installed = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda p: float(p.parts[-3]))
    if not installed:
        not_here("PostgreSQL's server is not installed (package postgresql)")
    folder = Path(tempfile.mkdtemp(prefix="fleet-postgres-"))
    if os.getuid() == 0:
        shutil.chown(folder, OTHER_USER, OTHER_USER)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    server = Cluster(installed[-1].parent, folder, port)
    try:
        server.start()
        yield server
        server.stop()
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """URL of a new, empty database."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'fleet.db'}"
    server: Cluster = request.getfixturevalue("cluster")
    name = f"test_{uuid.uuid4().hex}"
    server.sql(f"CREATE DATABASE {name}")
    return server.url(name)


@pytest.fixture
async def store(url: str) -> AsyncIterator[Store]:
    """A new store, open."""
    async with open_store(url) as opened:
        yield opened


@pytest.fixture
def behind(url: str) -> Callable[[str], Awaitable[None]]:
    """Do something to the database behind the store's back, in SQL."""

    async def execute(statement: str) -> None:
        if url.startswith("sqlite"):
            async with aiosqlite.connect(url.removeprefix("sqlite:///")) as connection:
                await connection.execute(statement)
                await connection.commit()
        else:
            connection = await asyncpg.connect(url)
            await connection.execute(statement)
            await connection.close()

    return execute
