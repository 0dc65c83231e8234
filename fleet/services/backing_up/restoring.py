"""Restoring: a new home from an archive, after every hash of it was found right."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from fleet.errors import BadInput
from fleet.services.backing_up.archive import OWNER_ONLY, read_archive
from fleet.services.backing_up.backing_up import IN_FORCE
from fleet.services.backing_up.databases import MEMBERS, bring_in, check_sqlite, kind_of
from fleet.services.backing_up.manifest import HOME, VENUE, Manifest, Member

DATABASE_FILE = "fleet.db"


@dataclass(frozen=True, slots=True, kw_only=True)
class Restored:
    """What was made: the manifest of the archive, and the folder of the venue's files where it has any."""

    manifest: Manifest
    venue: Path | None


def restore(archive: Path, home: Path, url: str = "") -> Restored:
    """Make `home`, which must be empty or missing, from an archive; nothing is left where that fails.

    `url` is the empty database for an archive of PostgreSQL. Raises `BadInput` or `StoreTrouble`.
    """
    _check_empty(home)
    manifest = read_archive(archive, _pass_by)
    if manifest.database == "postgresql" and (not url or kind_of(url) != "postgresql"):
        raise BadInput("this backup is of PostgreSQL", where="--database", remedy="Name an empty PostgreSQL database.")
    if manifest.database == "sqlite" and url:
        raise BadInput("this backup is of SQLite and goes into the home", where="--database", remedy="Leave it out.")
    draft = Path(_new_folder(home))
    try:
        # Read again rather than trusted: between two readings a file can change.
        read_archive(archive, lambda member, chunks: _write(draft, member, chunks))
        database = draft / DATABASE_FILE
        if manifest.database == "sqlite":
            check_sqlite(database)
        else:
            bring_in(url, database)
            database.unlink()
        draft.rename(home)
    except OSError as error:
        raise BadInput(f"the home cannot be made: {error.strerror}", where=str(home)) from None
    finally:
        shutil.rmtree(draft, ignore_errors=True)
    has_venue = any(m.name.startswith(VENUE) for m in manifest.members)
    return Restored(manifest=manifest, venue=home / IN_FORCE if has_venue else None)


def _check_empty(home: Path) -> None:
    try:
        if home.exists() and (not home.is_dir() or any(home.iterdir())):
            raise BadInput("it is not empty", where=str(home), remedy="Name a new folder; nothing is ever replaced.")
    except OSError as error:
        raise BadInput(f"it cannot be looked into: {error.strerror}", where=str(home)) from None


def _new_folder(home: Path) -> str:
    try:
        home.parent.mkdir(parents=True, exist_ok=True)
        return tempfile.mkdtemp(prefix=f".{home.name}-", dir=home.parent)
    except OSError as error:
        raise BadInput(f"the home cannot be made: {error.strerror}", where=str(home)) from None


def _pass_by(_member: Member, chunks: Iterator[bytes]) -> None:
    for _ in chunks:
        pass


def _write(folder: Path, member: Member, chunks: Iterator[bytes]) -> None:
    path = folder / _place(member.name)
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, OWNER_ONLY), "wb") as file:
            for chunk in chunks:
                file.write(chunk)
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise BadInput(f"the home cannot be made: {error.strerror}", where=str(folder.parent)) from None


def _place(name: str) -> str:
    """Where in the home a member goes."""
    if name in MEMBERS.values():
        return DATABASE_FILE
    return name.removeprefix(HOME) if name.startswith(HOME) else f"{IN_FORCE}/{name.removeprefix(VENUE)}"
