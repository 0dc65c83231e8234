"""A snapshot: everything reported at a moment, sealed by a hash over its canonical form."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from fleet.model.difference import NotChecked
from fleet.model.names import Id
from fleet.model.state import Reported


@dataclass(frozen=True, slots=True, kw_only=True)
class SnapshotBody:
    """What a snapshot holds: every device that answered, and by name those that did not."""

    venue: str
    at: datetime
    taken_by: str
    note: str
    desired_sha256: str
    devices: tuple[Reported, ...]
    not_read: tuple[NotChecked, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """A sealed snapshot; `sha256` is over the canonical JSON of `body`."""

    id: Id
    body: SnapshotBody
    sha256: str
