"""What an archive says of itself: its format, who wrote it when, and each member with its size and hash."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any, Literal

from fleet.errors import BadInput
from fleet.model.edge import canonical_json, parse, plain
from fleet.model.names import shown

FORMAT = "fleet-backup/1"
MANIFEST = "manifest.json"
LARGEST_MANIFEST_BYTES = 10_000_000
HOME, DATABASE, VENUE = "home/", "database/", "venue/"
CHUNK_BYTES = 1 << 20

DatabaseKind = Literal["sqlite", "postgresql"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """A file of the archive. Its name begins with `home/`, `database/` or `venue/`."""

    name: str
    size: int
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """The first member of an archive. Times are ISO 8601 in UTC."""

    version: str
    made_at: str
    database: DatabaseKind
    members: tuple[Member, ...]

    def to_bytes(self) -> bytes:
        """As it is stored."""
        return canonical_json({"format": FORMAT, **plain(self)})


def read_manifest(data: bytes, where: str) -> Manifest:
    """A stored manifest. Raises `BadInput` for another format, or names that would lead out of the new home."""
    try:
        document: Any = json.loads(data)
        form = document.pop("format")
    except (ValueError, KeyError, TypeError, AttributeError):
        raise BadInput("its manifest cannot be read: this is no backup, or a damaged one", where=where) from None
    if form != FORMAT:
        raise BadInput(
            f"it has format {shown(str(form))}, and this release reads {FORMAT}",
            where=where,
            remedy="Restore it with the release that made it, or with a later one.",
        )
    manifest = parse(Manifest, document)
    for member in manifest.members:
        parts = PurePosixPath(member.name).parts
        if (
            not member.name.startswith((HOME, DATABASE, VENUE))
            or ".." in parts
            or str(PurePosixPath(member.name)) != member.name
        ):
            raise BadInput(f"it has a member {shown(member.name)!r} that no backup has", where=where)
    if len({m.name for m in manifest.members}) != len(manifest.members):
        raise BadInput("it has two members of one name", where=where)
    return manifest


def member_of(name: str, file: Path) -> Member:
    """A file as a member. Raises `OSError`."""
    digest, size = hashlib.sha256(), 0
    with file.open("rb") as opened:
        while chunk := opened.read(CHUNK_BYTES):
            digest.update(chunk)
            size += len(chunk)
    return Member(name=name, size=size, sha256=digest.hexdigest())
