"""The journal: concurrent calls share commits, one call's mistake is its own, and what returned survives kill -9."""

from __future__ import annotations

import asyncio
import itertools
import os
import signal
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import Connection, Engine, event
from store_samples import a_change, an_entry

from fleet.errors import StoreTrouble
from fleet.store.protocol import Store
from fleet.store.sql import open_store

CHILD = Path(__file__).with_name("journaling_child.py")


@pytest.fixture
def commits() -> Iterator[list[Connection]]:
    """Every commit of any engine, as it happens."""
    seen: list[Connection] = []

    def note(connection: Connection) -> None:
        seen.append(connection)

    event.listen(Engine, "commit", note)
    yield seen
    event.remove(Engine, "commit", note)


async def test_100_concurrent_calls_share_a_few_commits(store: Store, commits: list[Connection]) -> None:
    await store.begin_change(a_change("ch-1"))
    commits.clear()
    await asyncio.gather(*(store.journal([an_entry("ch-1", n)]) for n in range(100)))
    assert 1 <= len(commits) <= 3
    assert [e.number for e in await store.entries("ch-1")] == list(range(100))


async def test_a_call_alone_returns_after_a_commit_of_its_own(store: Store, commits: list[Connection]) -> None:
    await store.begin_change(a_change("ch-1"))
    for number in range(3):
        commits.clear()
        await store.journal([an_entry("ch-1", number)])
        assert len(commits) == 1


async def test_calls_that_come_while_a_commit_runs_are_written_next(store: Store, commits: list[Connection]) -> None:
    await store.begin_change(a_change("ch-1"))
    commits.clear()

    numbers = itertools.count()

    async def three_in_a_row() -> None:
        for _ in range(3):
            await store.journal([an_entry("ch-1", next(numbers))])

    await asyncio.gather(*(three_in_a_row() for _ in range(50)))
    assert len(commits) < 30
    assert len(await store.entries("ch-1")) == 150


async def test_one_callers_mistake_does_not_fail_the_others(store: Store) -> None:
    await store.begin_change(a_change("ch-1"))
    calls = [[an_entry("ch-1", 1)], [an_entry("ch-unknown", 1)], [an_entry("ch-1", 2), an_entry("ch-1", 3)]]
    results = await asyncio.gather(*map(store.journal, calls), return_exceptions=True)
    assert results[0] is results[2] is None
    assert isinstance(results[1], StoreTrouble)
    assert [e.number for e in await store.entries("ch-1")] == [1, 2, 3]


async def test_a_cancelled_caller_does_not_take_the_others_along(store: Store) -> None:
    await store.begin_change(a_change("ch-1"))
    calls = [asyncio.ensure_future(store.journal([an_entry("ch-1", n)])) for n in range(10)]
    await asyncio.sleep(0)
    calls[0].cancel()
    results = await asyncio.gather(*calls, return_exceptions=True)
    assert isinstance(results[0], asyncio.CancelledError)
    assert results[1:] == [None] * 9
    assert {e.number for e in await store.entries("ch-1")} >= set(range(1, 10))


async def test_closing_waits_for_what_was_given(url: str) -> None:
    async with open_store(url) as store:
        await store.begin_change(a_change("ch-1"))
        call = asyncio.ensure_future(store.journal([an_entry("ch-1", 1)]))
        await asyncio.sleep(0)
    await call
    async with open_store(url) as store:
        assert await store.entries("ch-1") == (an_entry("ch-1", 1),)


async def test_every_entry_whose_call_returned_survives_kill_9(url: str) -> None:
    child = await asyncio.create_subprocess_exec(
        sys.executable,
        str(CHILD),
        url,
        stdout=asyncio.subprocess.PIPE,
        env=os.environ | {"PYTHONPATH": os.pathsep.join([str(Path(__file__).parents[2]), *sys.path])},
    )
    assert child.stdout is not None
    returned = [int(await child.stdout.readline()) for _ in range(200)]
    child.send_signal(signal.SIGKILL)
    rest = (await child.stdout.read()).decode()
    returned += [int(line) for line in rest.splitlines(keepends=True) if line.endswith("\n")]
    assert await child.wait() == -signal.SIGKILL
    async with open_store(url) as store:
        stored = await store.entries("ch-1")
        assert {e.number for e in stored} >= set(returned)
        assert all(entry == an_entry("ch-1", entry.number) for entry in stored)
        assert [c.id for c in await store.unfinished()] == ["ch-1"]


@pytest.mark.parametrize("url", ["sqlite"], indirect=True)
async def test_sqlite_waits_for_the_disk_at_each_commit(store: Store) -> None:
    """SQLite documentation, "PRAGMA synchronous": in WAL mode only FULL (2) is durable across a power cut."""
    found: dict[str, object] = {}

    def look(connection: Connection) -> None:
        for pragma in ("synchronous", "journal_mode", "foreign_keys", "busy_timeout"):
            found[pragma] = connection.exec_driver_sql(f"PRAGMA {pragma}").scalar()

    event.listen(Engine, "commit", look)
    try:
        await store.set_epoch(2)
    finally:
        event.remove(Engine, "commit", look)
    assert found == {"synchronous": 2, "journal_mode": "wal", "foreign_keys": 1, "busy_timeout": 5000}


@pytest.mark.parametrize("url", ["postgresql"], indirect=True)
async def test_postgresql_waits_for_the_disk_whatever_the_server_says(url: str, behind) -> None:
    """PostgreSQL documentation, "synchronous_commit": off may lose what was reported as committed."""
    await behind(f"ALTER DATABASE {url.rpartition('/')[2]} SET synchronous_commit = off")
    found: list[object] = []

    def look(connection: Connection) -> None:
        found.append(connection.exec_driver_sql("SHOW synchronous_commit").scalar())

    event.listen(Engine, "commit", look)
    try:
        async with open_store(url):
            pass
    finally:
        event.remove(Engine, "commit", look)
    assert found
    assert set(found) == {"on"}
