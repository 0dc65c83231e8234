"""A level change as a person asks for it: its end on the venue's clock, and the line that would give a range."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from fleet.desired.version import Version
from fleet.errors import Refused
from fleet.model.plan import Plan
from fleet.reconcile.levels import LevelMove, movable, plan_level
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.scope import Scope, select
from fleet.services.holds import time_of


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelAsked:
    """By so many dB or to a level in dB, until a time as people write it (empty for no end), asked for by `who`."""

    by_db: float | None = None
    to_db: float | None = None
    until: str = ""
    who: str = ""


def plan_asked_level(outlook: Outlook, version: Version, scope: Scope, asked: LevelAsked, now: datetime) -> Plan:
    """The plan of what was asked for. Raises `BadInput`, `NotFound` and `Refused`, also where nothing has a range."""
    if not movable(outlook, scope):
        raise _all_fixed(outlook, version, scope)
    until = time_of(asked.until, now, ZoneInfo(outlook.venue.time_zone)) if asked.until else None
    return plan_level(outlook, scope, LevelMove(by_db=asked.by_db, to_db=asked.to_db, until=until, who=asked.who))


def _all_fixed(outlook: Outlook, version: Version, scope: Scope) -> Refused:
    positions = [p for r in scope.rooms for p in select(outlook.venue, r, group=scope.group, position=scope.position)]
    ours = [p for p in positions if not p.life_safety]
    words = f"no level of {scope.words} may be moved: none has a range"
    if not ours:
        return Refused(words)
    first = next((p for p in ours if p.fixed.level_db is not None), ours[0])
    file, line, column = version.places.place(first.room, first.name, "level_db")
    level_db = first.fixed.level_db if first.fixed.level_db is not None else -10.0
    example = f"`level_db: {{between: [{level_db - 6:g}, {level_db:g}]}}`"
    return Refused(words, remedy=f"{file}:{line}:{column} is the line that would give one, as {example}.")
