"""A notice: something that people who do not look at the tool should know of."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from fleet.model.difference import Grade
from fleet.model.names import Id

NoticeKind = Literal[
    "drift",
    "drift over",
    "missing",
    "unreachable",
    "back",
    "flapping",
    "muted",
    "link",
    "repair",
    "mode",
    "schedule",
    "contact",
    "level",
    "guest",
    "deviation",
    "power",
    "test",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """What happened in which room, in one sentence; `way_out` says what can be done about it.

    `positions` and `devices` are those it is about; `cause` the probable cause in words, and `since` when it began,
    where these are known. `grade` is that of the worst difference.
    """

    id: Id
    at: datetime
    kind: NoticeKind
    words: str
    room: str = ""
    positions: tuple[str, ...] = ()
    devices: tuple[str, ...] = ()
    grade: Grade | None = None
    cause: str = ""
    since: datetime | None = None
    way_out: str = ""
