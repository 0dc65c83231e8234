"""The inventory: a row for each device, and sightings."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Delete, delete, insert, select
from sqlmodel import col

from fleet.model import edge
from fleet.model.inventory import DeviceRecord, Sighting
from fleet.store.area import Area
from fleet.store.tables import DeviceRow, SightingRow

SIGHTINGS_KEPT = 200
"""Of each device."""
DROPPED_AT_ONCE = 500
"""Devices in one statement, which holds so many parameters at most."""


class Inventory(Area):
    """The area of `Store` for devices and sightings."""

    async def save_devices(self, records: Sequence[DeviceRecord]) -> None:
        """Add devices to the inventory or replace what is known of them, all or none."""
        if not records:
            return
        # One statement for many rows: ten times faster than one of many VALUES.
        upsert = self._database.insert_or_update(DeviceRow, key="id")
        async with self._database.writing() as connection:
            await connection.execute(upsert, [_device_row(record) for record in records])

    async def drop_devices(self, devices: Sequence[str]) -> None:
        """Forget devices, and when they were seen."""
        async with self._database.writing() as connection:
            for start in range(0, len(devices), DROPPED_AT_ONCE):
                some = devices[start : start + DROPPED_AT_ONCE]
                await connection.execute(delete(DeviceRow).where(col(DeviceRow.id).in_(some)))
                await connection.execute(delete(SightingRow).where(col(SightingRow.device).in_(some)))

    async def devices(self) -> tuple[DeviceRecord, ...]:
        """The inventory, sorted by id."""
        async with self._database.reading() as connection:
            rows = (await connection.execute(select(DeviceRow))).mappings().all()
        # Sorted here, since the two databases may order text differently.
        return tuple(sorted((self._read_back(DeviceRecord, dict(row)) for row in rows), key=lambda r: r.id))

    async def add_sightings(self, sightings: Sequence[Sighting]) -> None:
        """Remember sightings, of each device the last ones."""
        if not sightings:
            return
        async with self._database.writing() as connection:
            await connection.execute(insert(SightingRow), [edge.plain(s) | {"at": s.at} for s in sightings])
            for device in sorted({s.device for s in sightings}):
                await connection.execute(_all_but_the_last(device))

    async def sightings(self, device: str, limit: int = 20) -> tuple[Sighting, ...]:
        """Sightings of a device, last remembered first."""
        return await self._newest(SightingRow, Sighting, col(SightingRow.device) == device, limit=limit)


def _device_row(record: DeviceRecord) -> dict[str, Any]:
    row: dict[str, Any] = edge.plain(record)
    return row | {"first_seen": record.first_seen, "last_seen": record.last_seen}


def _all_but_the_last(device: str) -> Delete:
    """What goes when a device was seen more often than is worth keeping."""
    number, seen = col(SightingRow.number), col(SightingRow.device)
    oldest_kept = (
        select(number)
        .where(seen == device)
        .order_by(number.desc())
        .offset(SIGHTINGS_KEPT - 1)
        .limit(1)
        .scalar_subquery()
    )
    return delete(SightingRow).where(seen == device, number < oldest_kept)
