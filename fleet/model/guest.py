"""A guest session: for a time a room belongs to somebody else, and afterwards it can be brought back to how it was."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from fleet.model.days import HOUSE_MODE
from fleet.model.names import Id, Name
from fleet.model.standing import OperatorLevel


@dataclass(frozen=True, slots=True, kw_only=True)
class GuestSession:
    """Who is the guest in which room until when, and what stood before.

    `who` began it for the `guest`. `snapshot`, `mode` and `levels` (those that somebody chose, by full name of a
    position) are what stood when it began. `above` are positions that are louder than the ceiling and were told of (or
    were so before), `unread` those that the snapshot does not hold.

    It has `ended` by the clock or by hand (`ended_by`) and is `compared` with the snapshot then; `apart` are positions
    that differ, `away` those whose devices were off, `not_compared` (in words) those that nothing was known of. It is
    `closed` once nothing is left to be put back, or nobody wants it to be.
    """

    id: Id
    room: Name
    guest: str
    who: str
    why: str = ""
    began: datetime
    until: datetime
    ceiling_db: float | None = None
    snapshot: Id
    mode: Name = HOUSE_MODE
    levels: Mapping[str, OperatorLevel] = field(default_factory=dict)
    unread: tuple[Name, ...] = ()
    above: tuple[Name, ...] = ()
    ended: datetime | None = None
    ended_by: str = ""
    compared: datetime | None = None
    apart: tuple[Name, ...] = ()
    away: tuple[Name, ...] = ()
    not_compared: tuple[str, ...] = ()
    change: str = ""
    """The last change that put it back."""
    closed: datetime | None = None
    closed_by: str = ""

    @property
    def state(self) -> str:
        """Where it is, in a word or two."""
        if self.closed is not None:
            return "closed"
        return "running" if self.ended is None else "ending" if self.compared is None else "to put back"
