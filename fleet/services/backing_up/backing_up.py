"""Backing up: what of a home must survive, and the archive of it."""

from __future__ import annotations

import asyncio
import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from fleet import __version__
from fleet.errors import BadInput
from fleet.services.backing_up.archive import write_archive
from fleet.services.backing_up.databases import MEMBERS, close_up, copy_out, kind_of
from fleet.services.backing_up.manifest import HOME, VENUE, DatabaseKind, Manifest, member_of
from fleet.store.database import SQLITE
from fleet.store.sql import open_store

IN_FORCE = "venue-in-force"
"""The folder of a restored home that has the venue's files."""
NOT_KEPT = frozenset({"lock", "token", "daemon.json", "daemon.json.new"})
"""Of one run of one daemon: its lock, its address, and the token, which is made anew at each start."""
LOG = "log.jsonl"
ARCHIVE = ".tar.gz"
BESIDE = ("", "-wal", "-shm", "-journal", "-owner")
"""A database's file and what SQLite and its owner put beside it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BackedUp:
    """What was written. `left_out` are files of the home that are links, which lead elsewhere, or archives."""

    size: int
    members: int
    database: DatabaseKind
    left_out: tuple[str, ...]


def back_up(target: Path, home: Path, url: str, at: datetime) -> BackedUp:
    """Write an archive of this home and database. The daemon may run. Raises `BadInput` or `StoreTrouble`."""
    if target.exists():
        raise BadInput("it exists already", where=str(target), remedy="Name a new file.")
    if not target.parent.is_dir():
        raise BadInput("its folder does not exist", where=str(target))
    kind = kind_of(url)
    with tempfile.TemporaryDirectory(prefix=".fleet-backup-", dir=target.parent) as folder:
        copy = Path(folder) / "copy"
        copy_out(url, copy)
        files = {MEMBERS[kind]: copy}
        # The copy of an SQLite database is read, so that files and database are of one moment.
        versions = asyncio.run(_in_force(f"{SQLITE}{copy}" if kind == "sqlite" else url))
        if kind == "sqlite":
            close_up(copy)
        for number, (name, text) in enumerate(sorted(versions.items())):
            written = Path(folder) / f"venue-{number}"
            written.write_text(text, encoding="utf-8")
            files[f"{VENUE}{name}"] = written
        own = dict(_own_files(home, url))
        left_out = tuple(sorted(name for name, file in own.items() if _is_left_out(file)))
        try:
            for number, name in enumerate(sorted(own.keys() - set(left_out))):
                # A daemon may write to its files while they are packed; a copy stays as it was hashed.
                files[f"{HOME}{name}"] = Path(shutil.copyfile(own[name], Path(folder) / f"home-{number}"))
            members = tuple(member_of(name, files[name]) for name in sorted(files))
        except OSError as error:
            raise BadInput(f"the home cannot be read: {error.strerror}", where=str(error.filename)) from None
        made_at = at.isoformat(timespec="seconds").replace("+00:00", "Z")
        manifest = Manifest(version=__version__, made_at=made_at, database=kind, members=members)
        size = write_archive(target, manifest, files)
    return BackedUp(size=size, members=len(members), database=kind, left_out=left_out)


def _is_left_out(file: Path) -> bool:
    return file.is_symlink() or file.name.endswith(ARCHIVE)


def _own_files(home: Path, url: str) -> Iterator[tuple[str, Path]]:
    """Files of the home that must survive: settings, keys, certificates, whatever a release keeps there."""
    database = Path(url.removeprefix(SQLITE)).resolve() if kind_of(url) == "sqlite" else None
    left_out = {f"{database}{ending}" for ending in BESIDE} if database else set()
    for file in sorted(home.rglob("*")):
        name = file.relative_to(home).as_posix()
        first = name.partition("/")[0]
        if first in NOT_KEPT or first == IN_FORCE or first.startswith((LOG, ".fleet-backup-")):
            continue
        if str(file.parent.resolve() / file.name) in left_out or not (file.is_file() or file.is_symlink()):
            continue
        yield name, file


async def _in_force(url: str) -> dict[str, str]:
    async with open_store(url) as store:
        version = await store.latest_version()
        return dict(version.files) if version else {}
