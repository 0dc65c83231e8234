"""The archive as a file: a gzipped tar with its manifest first, for its owner alone."""

from __future__ import annotations

import contextlib
import gzip
import hashlib
import io
import os
import tarfile
import zlib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from fleet.errors import BadInput
from fleet.model.names import shown
from fleet.services.backing_up.manifest import (
    CHUNK_BYTES,
    LARGEST_MANIFEST_BYTES,
    MANIFEST,
    Manifest,
    Member,
    read_manifest,
)

OWNER_ONLY = 0o600

Take = Callable[[Member, Iterator[bytes]], None]
"""Takes a member as it is read."""


def write_archive(target: Path, manifest: Manifest, files: Mapping[str, Path]) -> int:
    """Write the members of the manifest from these files, whole or not at all; the archive's size in bytes.

    Raises `BadInput` where the target exists or cannot be written.
    """
    draft = target.with_name(f".{target.name}.new")
    try:
        with contextlib.suppress(FileNotFoundError):
            draft.unlink()
        opened = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, OWNER_ONLY)
        try:
            with (
                os.fdopen(opened, "wb") as raw,
                tarfile.open(fileobj=raw, mode="w:gz", format=tarfile.PAX_FORMAT) as tar,
            ):
                text = manifest.to_bytes()
                tar.addfile(_entry(MANIFEST, len(text)), io.BytesIO(text))
                for member in manifest.members:
                    with files[member.name].open("rb") as source:
                        tar.addfile(_entry(member.name, member.size), source)
            os.link(draft, target)  # unlike a rename, this never replaces what is there
        finally:
            draft.unlink(missing_ok=True)
        return target.stat().st_size
    except OSError as error:
        raise BadInput(f"the backup cannot be written: {error.strerror or error}", where=str(target)) from None


def read_archive(path: Path, take: Take) -> Manifest:
    """Hand every member to `take`, and hold each against the manifest as it passes.

    Raises `BadInput` at the first thing that is not as the manifest has it. What was taken before is not proven to be
    part of a whole archive until this returns.
    """
    where = str(path)
    with _opened(path, where) as tar:
        first = tar.next()
        if first is None or first.name != MANIFEST or first.size > LARGEST_MANIFEST_BYTES:
            raise BadInput("this is no backup: its first member is no manifest", where=where)
        manifest = read_manifest(b"".join(_chunks(tar, first, where)), where)
        missing = {m.name: m for m in manifest.members}
        while (entry := tar.next()) is not None:
            member = missing.pop(entry.name, None)
            if member is None or not entry.isreg():
                raise BadInput(f"its manifest has no file {shown(entry.name)!r}", where=where)
            if entry.size != member.size:
                raise _altered(member, where)
            digest = hashlib.sha256()
            take(member, _hashed(_chunks(tar, entry, where), digest.update))
            if digest.hexdigest() != member.sha256:
                raise _altered(member, where)
    if missing:
        raise BadInput(f"it lacks {', '.join(sorted(missing))}: it was cut short", where=where)
    return manifest


def _entry(name: str, size: int) -> tarfile.TarInfo:
    entry = tarfile.TarInfo(name)
    entry.size, entry.mode = size, OWNER_ONLY
    return entry


def _altered(member: Member, where: str) -> BadInput:
    return BadInput(
        f"{shown(member.name, 200)} is not what was backed up: its hash differs",
        where=where,
        remedy="The archive was damaged or altered. Take another one.",
    )


@contextmanager
def _opened(path: Path, where: str) -> Iterator[tarfile.TarFile]:
    try:
        with tarfile.open(path, mode="r:gz") as tar:
            yield tar
    except OSError as error:
        raise BadInput(f"the backup cannot be read: {error.strerror or error}", where=where) from None
    except (tarfile.TarError, EOFError, zlib.error, gzip.BadGzipFile) as error:
        raise BadInput(f"this is no backup, or a damaged one ({error})", where=where) from None


def _chunks(tar: tarfile.TarFile, entry: tarfile.TarInfo, where: str) -> Iterator[bytes]:
    source: IO[bytes] | None = tar.extractfile(entry) if entry.isreg() else None
    if source is None:
        raise BadInput(f"{shown(entry.name)!r} is no file", where=where)
    with source:
        while chunk := source.read(CHUNK_BYTES):
            yield chunk


def _hashed(chunks: Iterator[bytes], update: Callable[[bytes], None]) -> Iterator[bytes]:
    for chunk in chunks:
        update(chunk)
        yield chunk
