"""Walks as they are written down, and who may write one: whoever holds the lock of its room."""

from __future__ import annotations

import asyncio
from collections import defaultdict
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime

from fleet.errors import NotFound
from fleet.model.names import shown
from fleet.model.walk import Walk, WalkState
from fleet.store.protocol import Store


class WalkRecords:
    """The walks of a store."""

    def __init__(self, store: Store, clock: Callable[[], datetime]) -> None:
        self._store = store
        self._clock = clock
        self._locks: dict[str, asyncio.Lock] = defaultdict(asyncio.Lock)

    def lock(self, room: str) -> asyncio.Lock:
        """To be held by whoever changes a walk of this room."""
        return self._locks[room]

    async def walk(self, walk: str) -> Walk:
        """A walk by its id. Raises `NotFound`."""
        one = await self._store.walk(walk)
        if one is None:
            raise NotFound(f"no walk {shown(walk)!r}", remedy="`fleet walk --list` lists them.")
        return one

    async def walks(self) -> tuple[Walk, ...]:
        """All walks, last begun first."""
        return await self._store.walks()

    async def save(self, walk: Walk) -> None:
        """Write a walk down, or how it stands now."""
        await self._store.save_walk(walk)

    async def ended(self, walk: Walk, state: WalkState, words: str) -> Walk:
        """A walk at its end, written down."""
        walk = replace(walk, state=state, words=words, ended=self._clock())
        await self.save(walk)
        return walk

    async def baseline_of(self, walk: Walk) -> Walk | None:
        """The walk that this one is compared with: the last baseline of its room that was begun before it."""
        walks = await self.walks()
        ids = [one.id for one in walks]
        before = walks[ids.index(walk.id) + 1 :] if walk.id in ids else ()
        return next(
            (w for w in before if w.room == walk.room and w.as_baseline and w.state is WalkState.DONE),
            None,
        )
