"""Versions of the desired state: the files as they were loaded, with hash, who and when."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from sqlalchemy import Select, insert, select
from sqlmodel import col

from fleet.store.area import Area
from fleet.store.records import StoredVersion
from fleet.store.tables import VersionRow

NUMBER: Any = col(VersionRow.number)
NEWEST_FIRST: Select[Any] = select(VersionRow).order_by(NUMBER.desc())


class Versions(Area):
    """The area of `Store` for desired versions."""

    async def save_version(self, files: Mapping[str, str], sha256: str, who: str, at: datetime, note: str = "") -> int:
        """Put a version of the desired state in force; its number, which rises."""
        row = {"files": dict(files), "sha256": sha256, "who": who, "at": at, "note": note}
        async with self._database.writing() as connection:
            inserted = await connection.execute(insert(VersionRow).values(row).returning(NUMBER))
            return int(inserted.scalar_one())

    async def latest_version(self) -> StoredVersion | None:
        """The version in force."""
        return next(iter(await self._versions(NEWEST_FIRST.limit(1))), None)

    async def version(self, sha256: str) -> StoredVersion | None:
        """The last version with this hash: the same files may be loaded again later."""
        same = NEWEST_FIRST.where(col(VersionRow.sha256) == sha256)
        return next(iter(await self._versions(same.limit(1))), None)

    async def version_at(self, at: datetime) -> StoredVersion | None:
        """The version that was in force at a moment; `None` before the first."""
        before = NEWEST_FIRST.where(col(VersionRow.at) <= at)
        return next(iter(await self._versions(before.limit(1))), None)

    async def first_version(self) -> StoredVersion | None:
        """The first version that was ever in force."""
        oldest = select(VersionRow).order_by(NUMBER).limit(1)
        return next(iter(await self._versions(oldest)), None)

    async def versions(self, limit: int = 50, *, below: int | None = None) -> tuple[StoredVersion, ...]:
        """Versions, newest first; only those with a number below the one given, to read on from there."""
        query = NEWEST_FIRST if below is None else NEWEST_FIRST.where(col(VersionRow.number) < below)
        return await self._versions(query.limit(limit))

    async def _versions(self, query: Select[Any]) -> tuple[StoredVersion, ...]:
        async with self._database.reading() as connection:
            rows = (await connection.execute(query)).mappings().all()
        return tuple(StoredVersion(**row) for row in rows)
