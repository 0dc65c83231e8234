"""Notices: what people should know of is written down, and told to whoever listens."""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import datetime

from fleet.model.notice import Notice, NoticeKind
from fleet.store.protocol import Store

log = logging.getLogger(__name__)


class Notices:
    """Gives notices. What is written down is told; who tells it on is not awaited."""

    def __init__(self, store: Store, clock: Callable[[], datetime], new_id: Callable[[], str]) -> None:
        self._store = store
        self._clock = clock
        self._new_id = new_id
        self._listeners: list[Callable[[Notice], None]] = []

    def listen(self, listener: Callable[[Notice], None]) -> None:
        """Tell `listener` each notice, once it is written down."""
        self._listeners.append(listener)

    def about(self, kind: NoticeKind, words: str, *, room: str = "") -> Notice:
        """A notice of now, to be filled in and given."""
        return Notice(id=self._new_id(), at=self._clock(), kind=kind, words=words, room=room)

    async def give(self, notice: Notice) -> Notice:
        """Write a notice down, and tell it."""
        await self._store.save_notice(notice)
        log.info("notice: %s", notice.words)
        for listener in self._listeners:
            listener(notice)
        return notice

    async def recent(self, limit: int = 50, since: datetime | None = None) -> tuple[Notice, ...]:
        """Notices, last given first."""
        return await self._store.notices(limit, since)
