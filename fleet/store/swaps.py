"""Swaps of devices."""

from __future__ import annotations

from fleet.model.swap import Swap
from fleet.store.area import Area
from fleet.store.tables import SwapRow


class Swaps(Area):
    """The area of `Store` for swaps."""

    async def save_swap(self, swap: Swap) -> None:
        """Write a swap down, or how it stands now."""
        await self._save(SwapRow, swap, began=swap.began, ended=swap.ended)

    async def swaps(self) -> tuple[Swap, ...]:
        """All swaps, last begun first."""
        return await self._newest(SwapRow, Swap)
