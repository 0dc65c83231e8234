"""The live view's events: numbered, the newest kept for those who come back, and given to any number of readers.

A reader is a place in what is kept, and holds nothing of its own: one that is slow, or comes back late, is told of the
`gap` and goes on from there. It has to look at the whole again, then. `schemas/events.md` tells it for those who read.
"""

from __future__ import annotations

import asyncio
import re
from collections import deque
from collections.abc import AsyncIterator
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal

from fleet.faces.documents import Document

EventKind = Literal["begin", "notice", "drift", "room", "change", "device", "link", "gap"]
MOST_KEPT: Final = 2000

_ID = re.compile(r"([0-9a-f]{8})-(\d{1,15})")


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something that happened; `id` is where a reader has come to with it."""

    id: str
    kind: EventKind
    data: Document


class Events:
    """Keeps the newest events of one life of the daemon. `life` is eight hex digits that no other life has."""

    def __init__(self, life: str, *, most_kept: int = MOST_KEPT) -> None:
        self._life = life
        self._kept: deque[tuple[EventKind, Document]] = deque(maxlen=most_kept)
        self._last = 0
        self._news = asyncio.Event()
        self._closed = False

    def tell(self, kind: EventKind, at: datetime, data: Document) -> None:
        """Something happened."""
        self._kept.append((kind, {"at": at.isoformat(), **data}))
        self._last += 1
        self._wake()

    def close(self) -> None:
        """End all readers."""
        self._closed = True
        self._wake()

    async def since(self, last_id: str | None) -> AsyncIterator[Event]:
        """Events after the one with this id, or from now on, until closed. The first one is `begin`, or `gap`."""
        known = self._number_of(last_id)
        lost = last_id is not None and known is None
        number = self._last if known is None else known
        yield self._event(number, "gap" if lost else "begin", {})
        while not self._closed:
            news, oldest = self._news, self._last - len(self._kept) + 1
            if number + 1 < oldest:
                number = self._last  # whoever has to look at the whole again needs nothing from before
                yield self._event(number, "gap", {})
            elif number < self._last:
                kind, data = self._kept[number + 1 - oldest]
                number += 1
                yield self._event(number, kind, data)
            else:
                await news.wait()

    def _event(self, number: int, kind: EventKind, data: Document) -> Event:
        return Event(id=f"{self._life}-{number}", kind=kind, data={"format": "fleet-event/1", "event": kind, **data})

    def _number_of(self, last_id: str | None) -> int | None:
        """The number of an event of this life; `None` for anything else."""
        found = _ID.fullmatch(last_id or "")
        number = int(found[2]) if found is not None and found[1] == self._life else None
        return number if number is not None and number <= self._last else None

    def _wake(self) -> None:
        news, self._news = self._news, asyncio.Event()
        news.set()
