"""The JSON documents of snapshots."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from fleet.faces.diff_documents import diff
from fleet.faces.documents import Document
from fleet.model.audit import Hash
from fleet.model.canonical import canonical, parsed
from fleet.model.difference import Comparison
from fleet.model.edge import canonical_json, plain
from fleet.model.names import Id
from fleet.model.sealing import FORMAT, FORMAT_1
from fleet.model.snapshot import Snapshot, SnapshotBody, Witness
from fleet.store.records import SnapshotEntry


@dataclass(frozen=True, slots=True, kw_only=True)
class EntryHashes:
    """SHA-256 of each entry, in the order of the body."""

    head: Hash
    devices: tuple[Hash, ...]
    not_read: tuple[Hash, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """An Ed25519 signature with its public key, both as hex."""

    algorithm: Literal["Ed25519"]
    public_key: str
    signature: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ExportedSnapshot:
    """What `snapshot` makes of a snapshot of format 2."""

    id: Id
    sha256: Hash
    body: SnapshotBody
    entries: EntryHashes
    signature: Signature | None
    witnesses: tuple[Witness, ...]


def snapshot(s: Snapshot) -> Document:
    """A whole snapshot: what is exported, and what every hash in it can be worked out from.

    The body is as it was sealed, whatever this release would make of it.
    """
    if s.seal is None:
        return {"format": FORMAT_1, "id": s.id, "sha256": s.sha256, "body": _body_1(s)}
    signature = {"algorithm": "Ed25519", "public_key": s.seal.public_key, "signature": s.seal.signature}
    return {
        "format": FORMAT,
        "id": s.id,
        "sha256": s.sha256,
        "body": parsed(s.text),
        "entries": {
            "head": s.seal.head,
            "devices": list(s.seal.devices),
            "not_read": list(s.seal.not_read),
        },
        "signature": signature if s.seal.signature else None,
        "witnesses": [plain(w) for w in s.witnesses],
    }


def text(document: Document) -> bytes:
    """A snapshot's document as its file has it: canonical JSON and a line feed."""
    return (canonical_json(document) if document["format"] == FORMAT_1 else canonical(document)) + b"\n"


def compared(comparison: Comparison, first: str, second: str) -> Document:
    """How one snapshot differs from another."""
    return {**diff(comparison, ()), "format": "fleet-snapshot-diff/1", "first": first, "second": second}


def snapshots(entries: Iterable[SnapshotEntry]) -> Document:
    """Snapshots without their bodies."""
    return {"format": "fleet-snapshots/1", "snapshots": [plain(e) for e in entries]}


def _body_1(s: Snapshot) -> Document:
    """The body of format 1, which had fractions as they came."""
    body: Document = json.loads(s.text) if s.text else plain(s.body)
    return body
