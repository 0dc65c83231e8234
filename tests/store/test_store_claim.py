"""One active daemon on a database: the second is refused, a killed one's claim is free, a lost claim stops writing."""

from __future__ import annotations

import asyncio
import os
import signal
import stat
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from store_samples import NOON, a_change, a_device, an_entry

from fleet.errors import StoreTrouble
from fleet.store.migrate import VERSION_TABLE
from fleet.store.protocol import Store
from fleet.store.sql import open_store

CHILD = Path(__file__).with_name("claiming_child.py")
CUT_OWNER = "SELECT pg_terminate_backend(pid) FROM pg_locks WHERE locktype = 'advisory'"


@asynccontextmanager
async def another_daemon(url: str) -> AsyncIterator[tuple[asyncio.subprocess.Process, int]]:
    """A process that holds the claim, and the epoch it got."""
    environment = os.environ | {"PYTHONPATH": os.pathsep.join([str(Path(__file__).parents[2]), *sys.path])}
    child = await asyncio.create_subprocess_exec(
        sys.executable, str(CHILD), url, "ana@desk pid 7", stdout=asyncio.subprocess.PIPE, env=environment
    )
    assert child.stdout is not None
    try:
        yield child, int(await child.stdout.readline())
    finally:
        if child.returncode is None:
            child.kill()
            await child.wait()


async def until_back(store: Store, epoch: int) -> None:
    """Wait until a store may write again."""
    for _ in range(500):
        try:
            return await store.set_epoch(epoch)
        except StoreTrouble:
            await asyncio.sleep(0.02)
    raise AssertionError("the claim did not come back")


@pytest.fixture
def watched_closely(monkeypatch: pytest.MonkeyPatch) -> None:
    """A lost claim is noticed and tried for soon."""
    monkeypatch.setattr("fleet.store.claim.WATCH_EVERY_S", 0.05)


async def test_every_claim_raises_the_epoch(url: str) -> None:
    epochs = []
    for _ in range(3):
        async with open_store(url) as store:
            epochs.append(await store.claim("ines@desk pid 1", NOON))
            assert await store.epoch() == epochs[-1]
    assert epochs == [2, 3, 4]


async def test_a_second_process_is_refused_and_told_who_has_the_database(url: str) -> None:
    async with another_daemon(url) as (_, epoch), open_store(url) as store:
        with pytest.raises(
            StoreTrouble,
            match=r"another daemon uses this database: ana@desk pid 7, since 2031-05-17 12:00:00 UTC\. "
            r"Stop it, or name another database",
        ):
            await store.claim("ines@desk pid 1", NOON)
        assert await store.epoch() == epoch, "a refused claim leaves the epoch alone"


async def test_kill_9_frees_the_claim(url: str) -> None:
    async with another_daemon(url) as (child, epoch):
        child.send_signal(signal.SIGKILL)
        assert await child.wait() == -signal.SIGKILL
        async with open_store(url) as store:
            assert await store.claim("ines@desk pid 1", NOON) == epoch + 1
            await store.save_devices([a_device()])


async def test_of_two_stores_in_one_process_one_has_the_claim(url: str) -> None:
    async with open_store(url) as first, open_store(url) as second:
        await first.claim("ines@desk pid 1", NOON)
        with pytest.raises(StoreTrouble, match="ines@desk pid 1"):
            await second.claim("ines@desk pid 1", NOON)


async def test_tables_are_not_changed_beneath_a_daemon(url: str, behind) -> None:
    async with open_store(url) as store:
        await store.claim("ines@desk pid 1", NOON)
        await behind(f"UPDATE {VERSION_TABLE} SET version_num = '0001'")
        with pytest.raises(StoreTrouble, match=r"a daemon of an earlier release uses this database.*Stop that daemon"):
            async with open_store(url):
                pass
        await store.save_devices([a_device()])


@pytest.mark.parametrize("url", ["sqlite"], indirect=True)
async def test_the_owner_file_stays_and_is_its_owners_alone(url: str, tmp_path: Path) -> None:
    async with open_store(url) as store:
        await store.claim("ines@desk pid 1", NOON)
    mode = (tmp_path / "fleet.db-owner").stat().st_mode
    assert stat.S_IMODE(mode) == 0o600


@pytest.mark.parametrize("url", ["sqlite"], indirect=True)
async def test_another_name_of_the_file_is_the_same_database(url: str, tmp_path: Path) -> None:
    async with open_store(url) as store:
        await store.claim("ines@desk pid 1", NOON)
        (tmp_path / "alias.db").symlink_to(tmp_path / "fleet.db")
        async with open_store(f"sqlite:///{tmp_path / 'alias.db'}") as other:
            with pytest.raises(StoreTrouble, match="another daemon uses this database"):
                await other.claim("ben@desk pid 2", NOON)


@pytest.mark.parametrize("url", ["sqlite"], indirect=True)
async def test_a_daemon_whose_owner_file_was_removed_yields_to_the_next_one(url: str, tmp_path: Path) -> None:
    async with open_store(url) as store, open_store(url) as other:
        await store.claim("ines@desk pid 1", NOON)
        (tmp_path / "fleet.db-owner").unlink()
        with pytest.raises(StoreTrouble, match="lost the claim"):
            await store.save_devices([a_device()])
        await other.claim("ben@desk pid 2", NOON)
        with pytest.raises(StoreTrouble, match="lost the claim"):
            await store.save_devices([a_device()])
        await other.save_devices([a_device()])


@pytest.mark.parametrize("url", ["postgresql"], indirect=True)
async def test_a_lost_connection_stops_writing_until_the_claim_is_back(url: str, behind, watched_closely) -> None:
    async with open_store(url) as store:
        epoch = await store.claim("ines@desk pid 1", NOON)
        await store.begin_change(a_change("ch-1"))
        await behind(CUT_OWNER)
        calls = [lambda: store.journal([an_entry("ch-1", 1)]), lambda: store.save_change(a_change("ch-1"))]
        for call in calls:
            with pytest.raises(StoreTrouble, match=r"lost the claim on its database\. It is tried for again"):
                await call()
        await until_back(store, epoch)
        await store.journal([an_entry("ch-1", 1)])
        assert await store.epoch() == epoch, "nobody else had it: the same epoch"
        assert len(await store.entries("ch-1")) == 1


@pytest.mark.parametrize("url", ["postgresql"], indirect=True)
async def test_a_claim_that_another_daemon_made_meanwhile_is_lost_for_good(
    url: str, behind, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("fleet.store.claim.WATCH_EVERY_S", 0.3)
    to_another = r"lost the claim on its database to another one: ben@desk pid 2, since .* UTC\. Stop this daemon"
    async with open_store(url) as store:
        epoch = await store.claim("ines@desk pid 1", NOON)
        await store.begin_change(a_change("ch-1"))
        await behind(CUT_OWNER)
        async with open_store(url) as other:
            assert await other.claim("ben@desk pid 2", NOON) == epoch + 1
            await asyncio.sleep(0.5)  # the first one tries to get it back
            with pytest.raises(StoreTrouble, match="lost the claim"):
                await store.journal([an_entry("ch-1", 1)])
            with pytest.raises(StoreTrouble, match=to_another):
                await store.epoch()
            await other.journal([an_entry("ch-1", 1)])
        await asyncio.sleep(0.5)
        with pytest.raises(StoreTrouble, match="lost the claim"):
            await store.journal([an_entry("ch-1", 2)])
        async with open_store(url) as third:
            assert await third.claim("jo@desk pid 3", NOON) == epoch + 2, "the first one does not sit on the lock"


@pytest.mark.parametrize("url", ["postgresql"], indirect=True)
async def test_an_owner_that_does_not_know_yet_is_refused_by_the_row(url: str, behind) -> None:
    """The lock alone would not do: a daemon may believe in a connection that the server has given up."""
    async with open_store(url) as store:
        epoch = await store.claim("ines@desk pid 1", NOON)
        await behind("UPDATE fleet SET claims = claims + 1, epoch = epoch + 1, owner = 'ben@desk pid 2'")
        with pytest.raises(StoreTrouble, match="lost the claim on its database to another one: ben@desk pid 2"):
            await store.set_epoch(epoch + 5)
