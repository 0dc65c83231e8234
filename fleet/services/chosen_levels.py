"""The levels that somebody chose within allowed ranges: those written down, and those heard and not written yet."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from typing import Final

from fleet.model.change import ChangeRecord, ChangeState
from fleet.model.standing import OperatorLevel
from fleet.store.protocol import Store

SETTLED_AFTER: Final = timedelta(seconds=2)
"""A level that somebody turns is written down once it has stood for so long."""


class ChosenLevels:
    """Holds the chosen levels, by `level_key`: each mode of a room has its own."""

    def __init__(self, store: Store, clock: Callable[[], datetime]) -> None:
        self._store = store
        self._clock = clock
        self._written: dict[str, OperatorLevel] | None = None
        self._turn = 0
        self._heard: dict[str, OperatorLevel] = {}

    async def current(self) -> Mapping[str, OperatorLevel]:
        """Every chosen level, the one heard last where it is not written down yet."""
        return {**await self._read(), **self._heard}

    def hear(self, level: OperatorLevel) -> None:
        """Somebody chose a level. It counts from now on, and is written down once it stands."""
        known = self._heard.get(level.key)
        if known is None or known.level_db != level.level_db:
            self._heard[level.key] = level

    def forget(self, key: str) -> None:
        """What was heard of a position, and not written down, is no choice after all."""
        self._heard.pop(key, None)

    async def write_settled(self) -> tuple[OperatorLevel, ...]:
        """Write down what was heard and has settled; these are returned."""
        now = self._clock()
        settled = [level for level in self._heard.values() if now - level.at >= SETTLED_AFTER]
        for level in settled:
            await self._store.save_standing(level.key, level)
            (await self._read())[level.key] = level
            if self._heard.get(level.key) is level:
                del self._heard[level.key]
        return tuple(settled)

    def changed(self, record: ChangeRecord) -> None:
        """A change moved on: what it says of levels stands once it is kept, and is read again from where it stands."""
        if record.state is ChangeState.KEPT and record.plan.then.levels_db:
            self._turn += 1
            self._written = None
            for key in record.plan.then.levels_db:
                self.forget(key)

    async def _read(self) -> dict[str, OperatorLevel]:
        while self._written is None:
            turn = self._turn
            found = dict(await self._store.standing(OperatorLevel))
            if turn == self._turn:  # else a change was kept meanwhile, and `found` may be from before it
                self._written = found
        return self._written
