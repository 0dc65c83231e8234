"""What devices told last of their levels, written down: so that a level turned while nobody listened is seen as one."""

from __future__ import annotations

import asyncio
from collections.abc import Collection, Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from fleet.model.standing import LevelsTold
from fleet.store.protocol import Store

STOOD_FOR: Final = timedelta(seconds=2)
"""Levels that somebody turns are written down once they have stood for so long."""


class LevelMemory:
    """Holds what was told last, by device. Only what changed is written."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._written: dict[str, LevelsTold] | None = None
        self._waiting: dict[str, LevelsTold] = {}

    async def told_before(self) -> Mapping[str, LevelsTold]:
        """What is written down."""
        return await self._read()

    def hear(self, told: LevelsTold) -> None:
        """A device told its levels."""
        if not _alike(told, self._waiting.get(told.device)):
            self._waiting[told.device] = told

    async def write(self, now: datetime, *, ranged: Collection[str], held: Collection[str]) -> None:
        """Write down what has stood; what a change is about to move waits, and only `ranged` devices are remembered."""
        written = await self._read()
        stood = [t for t in self._waiting.values() if now - t.at >= STOOD_FOR and t.device not in held]
        new = [t for t in stood if t.device in ranged and not _alike(t, written.get(t.device))]
        gone = [device for device in written if device not in ranged]
        saves = [self._store.save_standing(told.device, told) for told in new]
        await asyncio.gather(*saves, *(self._store.drop_standing(LevelsTold, device) for device in gone))
        written |= {told.device: told for told in new}
        for device in gone:
            del written[device]
        for told in stood:
            if self._waiting.get(told.device) is told:
                del self._waiting[told.device]

    async def _read(self) -> dict[str, LevelsTold]:
        if self._written is None:
            self._written = dict(await self._store.standing(LevelsTold))
        return self._written


def _alike(told: LevelsTold, before: LevelsTold | None) -> bool:
    """Whether it is the same as before, whenever that was."""
    return before is not None and replace(told, at=before.at) == before
