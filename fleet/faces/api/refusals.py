"""Refusals of callers who are known: each is in the audit log, and one that is repeated once a minute."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Final

from fleet.model.access import Role
from fleet.model.audit import Act
from fleet.services.audit import Audit

AGAIN_AFTER: Final = timedelta(minutes=1)
MOST_KEPT: Final = 1000


class Refusals:
    """Writes down who asked for what they may not."""

    def __init__(self, audit: Audit, clock: Callable[[], datetime]) -> None:
        self._audit = audit
        self._clock = clock
        self._told: dict[tuple[str, ...], datetime] = {}

    def refused(self, who: str, role: Role, method: str, path: str, source: str, words: str) -> None:
        """A request was refused."""
        key, now = (who, method, path, source, words), self._clock()
        if key in self._told and now < self._told[key] + AGAIN_AFTER:
            return
        self._told.pop(key, None)
        self._told[key] = now
        if len(self._told) > MOST_KEPT:
            del self._told[next(iter(self._told))]
        self._audit.note(Act(who=who, role=role, what=f"{method} {path}", source=source, result=f"refused: {words}"))
