"""What the store hands out that the model has no class for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from fleet.model.names import Id
from fleet.model.snapshot import Taken


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredVersion:
    """A version of the desired state as it was loaded: the files' text by path, their hash, who and when."""

    number: int
    sha256: str
    files: Mapping[str, str]
    who: str
    at: datetime
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SnapshotEntry:
    """A snapshot as a list shows it, without its body. `devices` counts those that answered."""

    id: Id
    at: datetime
    sha256: str
    taken_by: str
    note: str
    devices: int
    taken: Taken = "by hand"
