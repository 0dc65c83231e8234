"""How far swaps have come: each step is written down before it is done, and none is begun once the daemon stops."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime

from fleet.errors import NotFound
from fleet.model.names import shown
from fleet.model.swap import Swap, SwapState
from fleet.store.protocol import Store


class Stopped(Exception):
    """The daemon stops: the swap stays as it is written down, and the next daemon takes it up."""


class SwapProgress:
    """The swaps of a store, and those of them that are being carried out."""

    def __init__(self, store: Store, clock: Callable[[], datetime]) -> None:
        self._store = store
        self._clock = clock
        self._running: dict[str, Swap] = {}
        self._stopping = False

    @property
    def running(self) -> Mapping[str, Swap]:
        """Swaps that are being carried out, by id, as they stand."""
        return self._running

    @property
    def stopping(self) -> bool:
        """Whether no further step is begun."""
        return self._stopping

    async def begun(self, swap: Swap) -> None:
        """Write a swap down that begins."""
        self._running[swap.id] = swap
        try:
            await self._store.save_swap(swap)
        except BaseException:
            del self._running[swap.id]
            raise

    def taken_up(self, swap: Swap) -> None:
        """Carry out a swap that is written down already."""
        self._running[swap.id] = swap

    def dropped(self, swap: str) -> None:
        """Carry a swap out no longer."""
        self._running.pop(swap, None)

    async def step(self, swap: Swap, state: SwapState, words: str = "") -> Swap:
        """Write down the step that a swap comes to. Raises `Stopped`."""
        self.go_on()
        swap = replace(swap, state=state, words=words, ended=self._clock() if state.ended else None)
        await self._store.save_swap(swap)
        self._running[swap.id] = swap
        return swap

    def go_on(self) -> None:
        """Raise `Stopped` where the daemon stops."""
        if self._stopping:
            raise Stopped

    def stop(self) -> None:
        """Let no further step be begun."""
        self._stopping = True

    async def swaps(self) -> tuple[Swap, ...]:
        """All swaps, last begun first."""
        return await self._store.swaps()

    async def swap(self, swap: str) -> Swap:
        """A swap by its id. Raises `NotFound`."""
        found = next((s for s in await self.swaps() if s.id == swap), None)
        if found is None:
            raise NotFound(f"no swap {shown(swap)!r}", remedy="`fleet swap` lists them.")
        return found
