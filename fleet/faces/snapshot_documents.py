"""The JSON documents of snapshots."""

from __future__ import annotations

from collections.abc import Iterable

from fleet.faces.documents import Document
from fleet.model.edge import plain
from fleet.model.snapshot import Snapshot
from fleet.store.records import SnapshotEntry


def snapshot(s: Snapshot) -> Document:
    """A whole snapshot: what is exported, and what `sha256` can be worked out from."""
    return {"format": "fleet-snapshot/1", "id": s.id, "sha256": s.sha256, "body": plain(s.body)}


def snapshots(entries: Iterable[SnapshotEntry]) -> Document:
    """Snapshots without their bodies."""
    return {"format": "fleet-snapshots/1", "snapshots": [plain(e) for e in entries]}
