"""Backup and restore of PostgreSQL, by the programs that come with it."""

from __future__ import annotations

import asyncio
import shutil
import uuid
from datetime import UTC, datetime
from pathlib import Path

import pytest

from fleet.errors import BadInput, StoreTrouble
from fleet.services.backing_up.backing_up import back_up
from fleet.services.backing_up.restoring import restore
from fleet.services.self_check.database import check_database
from fleet.services.self_check.result import State
from fleet.store.sql import open_store
from tests.services.small_venue import FILES
from tests.store.conftest import Cluster, cluster, not_here

__all__ = ["cluster"]

AT = datetime(2026, 5, 1, 12, 0, tzinfo=UTC)


def new_database(server: Cluster) -> str:
    name = f"backup_{uuid.uuid4().hex}"
    server.sql(f"CREATE DATABASE {name}")
    return server.url(name)


async def used(url: str) -> None:
    async with open_store(url) as store:
        await store.controller(lambda: "fleet-1")
        await store.save_version(FILES, "0" * 64, "ines", AT)


async def held(url: str) -> tuple[str, object]:
    async with open_store(url) as store:
        return await store.controller(lambda: "another"), await store.latest_version()


@pytest.fixture
def home(tmp_path: Path) -> Path:
    folder = tmp_path / "home"
    folder.mkdir()
    (folder / "sealing.key").write_text("key", encoding="utf-8")
    return folder


@pytest.mark.usefixtures("_programs")
def test_there_and_back(cluster: Cluster, home: Path, tmp_path: Path) -> None:
    old, new = new_database(cluster), new_database(cluster)
    asyncio.run(used(old))
    made = back_up(tmp_path / "b.tar.gz", home, old, AT)
    assert (made.database, made.members) == ("postgresql", 2 + len(FILES))
    with pytest.raises(BadInput, match="this backup is of PostgreSQL"):
        restore(tmp_path / "b.tar.gz", tmp_path / "new")
    restore(tmp_path / "b.tar.gz", tmp_path / "new", new)
    assert asyncio.run(held(new)) == asyncio.run(held(old))
    assert sorted(p.name for p in (tmp_path / "new").iterdir()) == ["sealing.key", "venue-in-force"]
    with pytest.raises(StoreTrouble, match=r"pg_restore failed: .*already exists"):
        restore(tmp_path / "b.tar.gz", tmp_path / "newer", new)
    assert not (tmp_path / "newer").exists()


def test_self_check_reads_it(cluster: Cluster) -> None:
    url = new_database(cluster)
    asyncio.run(used(url))
    assert [r.state for r in asyncio.run(check_database(url, AT))] == [State.OK, State.OK]
    early = asyncio.run(check_database(url, AT.replace(year=2025)))
    assert [r.state for r in early] == [State.OK, State.TROUBLE]
    absent = asyncio.run(check_database(f"{url}x", AT))
    assert absent[0].state is State.TROUBLE
    assert "the server has no database of this name" in absent[0].words


@pytest.fixture
def _programs() -> None:
    if shutil.which("pg_dump") is None or shutil.which("pg_restore") is None:
        not_here("PostgreSQL's client programs are not installed (package postgresql-client)")
