"""Swaps of devices."""

from __future__ import annotations

from typing import Any

from sqlalchemy import select
from sqlmodel import col

from fleet.model import edge
from fleet.model.swap import Swap
from fleet.store.area import Area
from fleet.store.tables import SwapRow, columns_of


class Swaps(Area):
    """The area of `Store` for swaps."""

    async def save_swap(self, swap: Swap) -> None:
        """Write a swap down, or how it stands now."""
        row: dict[str, Any] = edge.plain(swap) | {"began": swap.began, "ended": swap.ended}
        async with self._database.writing() as connection:
            await connection.execute(self._database.insert_or_update(SwapRow, key="id"), [row])

    async def swaps(self) -> tuple[Swap, ...]:
        """All swaps, last begun first."""
        query = select(*columns_of(SwapRow)).order_by(col(SwapRow.number).desc())
        async with self._database.reading() as connection:
            rows = (await connection.execute(query)).mappings().all()
        return tuple(self._read_back(Swap, dict(row)) for row in rows)
