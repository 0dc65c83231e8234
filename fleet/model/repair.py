"""What was put right in a room without being asked, so that it stays bounded."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from fleet.model.names import Name


@dataclass(frozen=True, slots=True, kw_only=True)
class Repair:
    """One repair: when, of which settings (`room/position live level_db`), by which change."""

    at: datetime
    settings: tuple[str, ...]
    change: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Repairs:
    """The repairs of a room in the last day, and what was told of drift that is left to people."""

    room: Name
    done: tuple[Repair, ...] = ()
    left_alone: tuple[str, ...] = ()
    """Settings that are not put right any more, of which a notice was given."""
    owed: str = ""
    """The change of the last repair, as long as people were not told how it ended; put down before it begins."""
