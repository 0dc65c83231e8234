"""SQLite files that disks, hands and bad memory have been at: refused in words or read as written, never believed."""

from __future__ import annotations

import contextlib
import os
import random
import re
import shutil
import sqlite3
import subprocess
from collections import Counter
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest
from store_samples import NOON, a_change, a_device, a_snapshot, an_entry

from fleet.errors import StoreTrouble
from fleet.model.change import ChangeRecord, ChangeState, JournalEntry
from fleet.store.protocol import Store
from fleet.store.sql import open_store

FLIPS = int(os.environ.get("FLEET_FLIPS", "200"))
SEED = int(os.environ.get("FLEET_SEED", "20310517"))
CHANGES = 5
ENTRIES = 6
PAGE = 4096


@dataclass(frozen=True)
class Written:
    """What was written: changes, first begun first, and their journals."""

    changes: tuple[ChangeRecord, ...]
    journals: dict[str, tuple[JournalEntry, ...]]


async def write(store: Store, first: int = 1, last: int = CHANGES) -> Written:
    """Write changes with journals and some other rows between them; what is then stored of all changes so far.

    All have begun before the first of this call moves on; the first two have ended at last.
    """
    for n in range(first, last + 1):
        await store.begin_change(a_change(f"ch-{n}"))
        await store.save_devices([a_device(f"box-{n}")])
        await store.save_snapshot(a_snapshot(f"sn-{n}"))
    changes, journals = [], {}
    for n in range(1, last + 1):
        change = a_change(f"ch-{n}")
        journals[change.id] = tuple(an_entry(change.id, k) for k in range(1, ENTRIES + 1))
        state = ChangeState.KEPT if n < 3 else ChangeState.ON_TRIAL
        changes.append(replace(change, state=state, ended=NOON if state.ended else None))
        if n >= first:
            for entry in journals[change.id]:
                await store.journal([entry])
            await store.save_change(changes[-1])
    return Written(tuple(changes), journals)


async def left_out_of_the_list(store: Store, written: Written, wrong: list[str]) -> int:
    """How many changes the list leaves out: each of them has to be refused by its name; the others are as written."""
    try:
        listed = await store.changes()
    except StoreTrouble:
        return 1
    if list(listed) != [change for change in reversed(written.changes) if change in listed]:
        wrong.append("changes")
    missing = [change for change in written.changes if change not in listed]
    for change in missing:
        try:
            await store.change(change.id)
        except StoreTrouble:
            continue
        wrong.append(f"{change.id} is left out of the list and nothing is said")
    return len(missing)


async def believed(path: Path, written: Written) -> tuple[str, list[str]]:
    """What comes of reading a database: `refused`, `partly refused` or `as written`, and whatever is neither."""
    wrong: list[str] = []
    refused = 0

    async def same(call: Callable[[], Awaitable[Any]], wanted: object, name: str) -> None:
        nonlocal refused
        try:
            if await call() != wanted:
                wrong.append(name)
        except StoreTrouble:
            refused += 1

    try:
        async with open_store(f"sqlite:///{path}") as store:
            refused += await left_out_of_the_list(store, written, wrong)
            for change in written.changes:
                await same(lambda c=change: store.change(c.id), change, f"change {change.id}")
                await same(lambda c=change: store.entries(c.id), written.journals[change.id], f"journal {change.id}")
            try:
                told, handed_out = await store.damaged(), await store.unfinished()
                for change in written.changes:
                    if change in handed_out or change.state.ended:
                        continue
                    refused += 1
                    if not any(f"change {change.id} is damaged" in w or "change of number" in w for w in told):
                        wrong.append(f"{change.id} is neither handed out nor told of")
                wrong += [f"{change.id} is handed out" for change in handed_out if change not in written.changes]
            except StoreTrouble:
                refused += 1
    except StoreTrouble:
        return "refused", wrong
    return ("partly refused" if refused else "as written"), wrong


async def test_a_flipped_byte_is_never_believed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    whole, path = tmp_path / "whole.db", tmp_path / "fleet.db"
    async with open_store(f"sqlite:///{whole}") as store:
        written = await write(store)
    assert await believed(whole, written) == ("as written", [])
    content = whole.read_bytes()
    counts: Counter[str] = Counter()
    wrong: list[str] = []
    dice = random.Random(SEED)
    rows = [found.start() for found in re.finditer(rb"ch-\d", content)]
    for number in range(FLIPS):
        # Rows of changes and journals are a small part of the file: every second flip is in or beside one.
        anywhere = dice.randrange(len(content))
        position = anywhere if number % 2 else min(dice.choice(rows) + dice.randrange(120), len(content) - 1)
        flip = dice.randrange(1, 256)
        _clear(tmp_path)
        damaged = bytearray(content)
        damaged[position] ^= flip
        path.write_bytes(damaged)
        outcome, mistakes = await believed(path, written)
        counts[outcome] += 1
        wrong += [f"byte {position} ^ {flip}: {mistake}" for mistake in mistakes]
    refused = counts["refused"] + counts["partly refused"]
    with capsys.disabled():
        print(
            f"\nseed {SEED}: flipped {FLIPS} of {len(content)} bytes, one at a time: {refused} refused "
            f"({counts['refused']} at the opening), {counts['as written']} harmless to changes and journals, "
            f"{len(wrong)} believed"
        )
    assert wrong == []
    assert refused
    assert counts["as written"]


async def test_a_page_that_was_not_written_or_wiped_is_never_believed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A disk may lose the writing of a page and keep its older content, or hand out zeros."""
    whole, path = tmp_path / "whole.db", tmp_path / "fleet.db"
    async with open_store(f"sqlite:///{whole}") as store:
        await write(store, last=2)
    older = whole.read_bytes()
    async with open_store(f"sqlite:///{whole}") as store:
        written = await write(store, first=3)
    content = whole.read_bytes()
    counts: Counter[str] = Counter()
    wrong: list[str] = []
    for page in range(len(content) // PAGE):
        at = slice(page * PAGE, (page + 1) * PAGE)
        for kind, instead in (("older", older[at]), ("wiped", bytes(PAGE))):
            if len(instead) < PAGE or instead == content[at]:
                continue
            _clear(tmp_path)
            path.write_bytes(content[: at.start] + instead + content[at.stop :])
            outcome, mistakes = await believed(path, written)
            counts[f"{kind}: {outcome}"] += 1
            wrong += [f"page {page + 1} {kind}: {mistake}" for mistake in mistakes]
    with capsys.disabled():
        print(f"\n{len(content) // PAGE} pages, one at a time: {dict(counts)}, {len(wrong)} believed")
    assert wrong == []
    assert counts["older: refused"] + counts["older: partly refused"]


async def test_a_damaged_write_ahead_log_loses_its_end_and_nothing_else(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """SQLite documentation, "Write-Ahead Logging": frames count up to the last commit whose checksums hold.

    What follows a damaged frame is dropped without a word. The change, its seals and its journal then are what they
    were at an earlier commit, all three, and the store cannot know that there was more.
    """
    live, path = tmp_path / "live.db", tmp_path / "fleet.db"
    entries = tuple(an_entry("ch-1", k) for k in range(1, 31))
    async with open_store(f"sqlite:///{live}") as store:
        await store.begin_change(a_change("ch-1"))
    async with open_store(f"sqlite:///{live}") as store:
        for entry in entries:
            await store.journal([entry])
        content, log = live.read_bytes(), (tmp_path / "live.db-wal").read_bytes()
    assert log, "a log that a killed daemon would leave"
    dice = random.Random(SEED)
    lengths: Counter[int] = Counter()
    for _ in range(40):
        _clear(tmp_path)
        damaged = bytearray(log)
        damaged[dice.randrange(len(log))] ^= dice.randrange(1, 256)
        path.write_bytes(content)
        (tmp_path / "fleet.db-wal").write_bytes(damaged)
        async with open_store(f"sqlite:///{path}") as store:
            found = await store.entries("ch-1")
            assert found == entries[: len(found)]
            assert await store.damaged() == ()
            assert await store.unfinished() == (a_change("ch-1"),)
            lengths[len(found)] += 1
    with capsys.disabled():
        print(f"\nseed {SEED}: 40 damaged logs of 30 entries: from {min(lengths)} to {max(lengths)} entries are left")
    assert min(lengths) < len(entries)


@pytest.mark.parametrize("part", [0.0, 0.1, 0.5, 0.9])
async def test_a_truncated_file_is_refused(tmp_path: Path, part: float) -> None:
    path = tmp_path / "fleet.db"
    async with open_store(f"sqlite:///{path}") as store:
        await store.claim("ines@desk pid 1", NOON)
        await write(store)
    os.truncate(path, int(path.stat().st_size * part))
    with pytest.raises(StoreTrouble, match=r"fleet\.db: .*(damaged|not a database).*from a backup"):
        async with open_store(f"sqlite:///{path}"):
            pass


async def test_a_file_of_any_length_is_never_believed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """SQLite takes the missing end of the last page for zeros; whatever was there, the seals tell."""
    whole, path = tmp_path / "whole.db", tmp_path / "fleet.db"
    async with open_store(f"sqlite:///{whole}") as store:
        written = await write(store)
    content = whole.read_bytes()
    counts: Counter[str] = Counter()
    wrong: list[str] = []
    dice = random.Random(SEED)
    for missing in [dice.randrange(1, 4096) for _ in range(20)] + [dice.randrange(len(content)) for _ in range(20)]:
        _clear(tmp_path)
        path.write_bytes(content[:-missing])
        outcome, mistakes = await believed(path, written)
        counts[outcome] += 1
        wrong += [f"{missing} bytes are missing: {mistake}" for mistake in mistakes]
    with capsys.disabled():
        print(f"\nseed {SEED}: truncated 40 times: {dict(counts)}, {len(wrong)} believed")
    assert wrong == []
    assert counts["refused"]


async def test_a_missing_file_is_a_new_database(tmp_path: Path) -> None:
    for _ in range(2):
        async with open_store(f"sqlite:///{tmp_path / 'fleet.db'}") as store:
            assert await store.claim("ines@desk pid 1", NOON) == 2
        _clear(tmp_path, but="-owner")


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 2 MB in memory."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=2m", "fleet-test", str(folder)]
    if os.getuid() != 0 or shutil.which("mount") is None:
        pytest.skip("only root may mount a small disk")
    mounted = subprocess.run(mount, capture_output=True, text=True, check=False)
    if mounted.returncode:
        pytest.skip(f"a small disk cannot be mounted here: {mounted.stderr.strip()}")
    try:
        yield folder
    finally:
        subprocess.run(["umount", str(folder)], check=True)


async def test_a_disk_that_fills_up_and_is_freed_again(small_disk: Path) -> None:
    returned: list[JournalEntry] = []
    async with open_store(f"sqlite:///{small_disk / 'fleet.db'}") as store:
        await store.claim("ines@desk pid 1", NOON)
        await store.begin_change(a_change("ch-1"))
        _fill(small_disk / "recordings")

        async def go_on() -> None:
            for k in range(1, 1000):
                await store.journal([an_entry("ch-1", k)])
                returned.append(an_entry("ch-1", k))

        with pytest.raises(StoreTrouble, match=r"the disk is full\. Free some space") as caught:
            await go_on()
        assert "fleet.db" in str(caught.value)
        assert await store.entries("ch-1") == tuple(returned), "what returned is there, what failed is not"
        with pytest.raises(StoreTrouble, match="the disk is full"):
            await store.begin_change(a_change("ch-2"))
        (small_disk / "recordings").unlink()
        following = an_entry("ch-1", len(returned) + 1)
        await store.journal([following])
    async with open_store(f"sqlite:///{small_disk / 'fleet.db'}") as store:
        assert await store.entries("ch-1") == (*returned, following)
        assert await store.damaged() == ()


async def test_a_disk_that_is_full_from_the_start(small_disk: Path) -> None:
    _fill(small_disk / "recordings")
    with pytest.raises(StoreTrouble, match="the disk is full"):
        async with open_store(f"sqlite:///{small_disk / 'fleet.db'}"):
            pass


async def test_a_disk_that_became_read_only(small_disk: Path) -> None:
    """Not even root writes to a file system that is mounted read-only, as one is after a disk error."""
    async with open_store(f"sqlite:///{small_disk / 'fleet.db'}") as store:
        await store.begin_change(a_change("ch-1"))
    _remount(small_disk, "ro")
    with pytest.raises(StoreTrouble, match=r"Allow this user to write|that this user may write there"):
        async with open_store(f"sqlite:///{small_disk / 'fleet.db'}"):
            pass
    _remount(small_disk, "rw")
    async with open_store(f"sqlite:///{small_disk / 'fleet.db'}") as store:
        assert await store.change("ch-1") == a_change("ch-1")


def _clear(folder: Path, *, but: str = "?") -> None:
    """Remove the database and what belongs to it."""
    for file in folder.glob("fleet.db*"):
        if not file.name.endswith(but):
            file.unlink()


def _remount(folder: Path, how: str) -> None:
    subprocess.run(["mount", "-o", f"remount,{how}", str(folder)], check=True)


def _fill(path: Path) -> None:
    with path.open("wb", buffering=0) as file:
        for size in (65536, 4096, 1):
            try:
                while file.write(b"\0" * size):
                    pass
            except OSError:
                continue


async def test_a_damaged_index_never_hands_out_another_change(tmp_path: Path) -> None:
    path = tmp_path / "fleet.db"
    async with open_store(f"sqlite:///{path}") as store:
        written = await write(store)
    with contextlib.closing(sqlite3.connect(path)) as database:
        (page,) = database.execute(
            "SELECT rootpage FROM sqlite_master WHERE name = 'sqlite_autoindex_changes_1'"
        ).fetchone()
        (size,) = database.execute("PRAGMA page_size").fetchone()
    content = bytearray(path.read_bytes())
    first = content.index(b"ch-1", (page - 1) * size, page * size)
    content[first + 3] = ord("~")  # the search goes by this key, which is out of order now
    path.write_bytes(content)
    async with open_store(f"sqlite:///{path}") as store:
        refused = 0
        for change in written.changes:
            try:
                assert await store.change(change.id) == change
            except StoreTrouble:
                refused += 1
    assert refused
