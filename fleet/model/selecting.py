"""What selects a mode besides a person: a schedule or a contact; and what is remembered of it over a restart."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from fleet.model.names import Name


@dataclass(frozen=True, slots=True, kw_only=True)
class ScheduleMark:
    """Up to which moment a room's schedule is dealt with."""

    room: Name
    until: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class ContactMark:
    """The value of a contact that counted last, as it is compared (`reconcile.contacts.value_of`)."""

    topic: str
    value: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ToldOff:
    """What was told last of a room that was not brought into a mode, or not with all its boxes: it is told once."""

    words: str
    at: datetime
