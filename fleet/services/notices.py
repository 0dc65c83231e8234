"""Notices: what people should know of is written down, and told to whoever listens."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Final, Protocol

from fleet.model.notice import Notice, NoticeKind
from fleet.store.protocol import Store

log = logging.getLogger(__name__)

MOST_LOOKED_AT: Final = 10_000
"""Of how many notices those that are asked for are picked."""


class Outbox(Protocol):
    """Where it is written down who has still to be told of a notice."""

    async def deliveries(self, notice: Notice) -> Mapping[str, object]:
        """What is to stand for which key once the notice is written down."""
        ...

    def written(self, deliveries: Mapping[str, object]) -> None:
        """They are written down."""
        ...


class Notices:
    """Gives notices. What is written down is told; who tells it on is not awaited."""

    def __init__(self, store: Store, clock: Callable[[], datetime], new_id: Callable[[], str]) -> None:
        self._store = store
        self._clock = clock
        self._new_id = new_id
        self._listeners: list[Callable[[Notice], None]] = []
        self._outbox: Outbox | None = None

    def send_through(self, outbox: Outbox) -> None:
        """Write down with each notice what this outbox wants to have written down."""
        self._outbox = outbox

    def listen(self, listener: Callable[[Notice], None]) -> None:
        """Tell `listener` each notice, once it is written down."""
        self._listeners.append(listener)

    def about(self, kind: NoticeKind, words: str, *, room: str = "") -> Notice:
        """A notice of now, to be filled in and given."""
        return Notice(id=self._new_id(), at=self._clock(), kind=kind, words=words, room=room)

    async def give(self, notice: Notice, beside: Mapping[str, object] | None = None) -> Notice:
        """Write a notice down, and tell it.

        What is to stand once it is given, by its key, is written down `beside` it, both or neither: so a daemon that
        dies at that moment neither forgets to tell nor tells twice.
        """
        deliveries = await self._outbox.deliveries(notice) if self._outbox is not None else {}
        await self._store.save_notice(notice, {**(beside or {}), **deliveries})
        if self._outbox is not None:
            self._outbox.written(deliveries)
        log.info("notice: %s", notice.words)
        for listener in self._listeners:
            listener(notice)
        return notice

    async def recent(
        self,
        limit: int = 50,
        since: datetime | None = None,
        *,
        room: str = "",
        kind: NoticeKind | None = None,
        before: str = "",
    ) -> tuple[Notice, ...]:
        """Notices of a room and a kind where these are given, last given first, of those given before one."""
        picks = bool(room or kind)
        found = await self._store.notices(MOST_LOOKED_AT if picks else limit, since, before=before)
        return tuple(n for n in found if room in ("", n.room) and kind in (None, n.kind))[:limit]
