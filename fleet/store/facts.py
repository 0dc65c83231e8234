"""Facts of the database itself: its fencing number and the controller id that devices know it by."""

from __future__ import annotations

from collections.abc import Callable

from sqlalchemy import select, update
from sqlmodel import col

from fleet.errors import StoreTrouble
from fleet.store.area import Area
from fleet.store.tables import FleetRow


class Facts(Area):
    """The area of `Store` for the tool itself."""

    async def epoch(self) -> int:
        """The fencing number of this database; a new database starts at 1."""
        async with self._database.reading() as connection:
            return (await connection.execute(select(col(FleetRow.epoch)))).scalar_one()

    async def set_epoch(self, epoch: int) -> None:
        """Raise the fencing number. Raises `StoreTrouble` where that would lower it."""
        async with self._database.writing() as connection:
            raised = await connection.execute(update(FleetRow).where(col(FleetRow.epoch) <= epoch).values(epoch=epoch))
            if not raised.rowcount:
                raise StoreTrouble(
                    f"the epoch of this database is above {epoch} already, and never goes down",
                    where=self._database.where,
                )

    async def controller(self, make: Callable[[], str]) -> str:
        """The controller id of this database; `make` is asked for one the first time only."""
        stored = select(col(FleetRow.controller)).with_for_update()
        async with self._database.writing() as connection:
            # Of two processes here at once, the second waits for the row and finds the first one's id.
            known = (await connection.execute(stored)).scalar_one()
            if known is None:
                known = make()
                await connection.execute(update(FleetRow).values(controller=known))
            return known
