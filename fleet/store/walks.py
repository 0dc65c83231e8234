"""Walks."""

from __future__ import annotations

from sqlmodel import col

from fleet.model.walk import Walk
from fleet.store.area import Area
from fleet.store.tables import WalkRow


class Walks(Area):
    """The area of `Store` for walks."""

    async def save_walk(self, walk: Walk) -> None:
        """Write a walk down, or how it stands now."""
        await self._save(WalkRow, walk, began=walk.began, ended=walk.ended)

    async def walk(self, walk: str) -> Walk | None:
        """The walk of this id."""
        return next(iter(await self._newest(WalkRow, Walk, col(WalkRow.id) == walk)), None)

    async def walks(self) -> tuple[Walk, ...]:
        """All walks, last begun first."""
        return await self._newest(WalkRow, Walk)
