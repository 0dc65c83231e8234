"""A room on hold: a show is running, and nothing in it is to be changed."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from fleet.model.names import Name


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """Who holds a room until when, and why."""

    room: Name
    until: datetime
    who: str
    why: str = ""
