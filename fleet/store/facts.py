"""Facts of the database itself: who owns it, its fencing number, and the controller id that devices know it by."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from sqlalchemy import select, update
from sqlmodel import col

from fleet.errors import StoreTrouble
from fleet.store.area import Area
from fleet.store.claim import FLEET, Claim, take, words
from fleet.store.database import Database
from fleet.store.tables import FleetRow


class Facts(Area):
    """The area of `Store` for the tool itself."""

    def __init__(self, database: Database) -> None:
        super().__init__(database)
        self._claim: Claim | None = None

    async def claim(self, who: str, at: datetime) -> int:
        """Own the database until the store is closed, and raise its epoch by one; the epoch.

        Raises `StoreTrouble` that names the owner where another has it. Should the claim be lost later, every call
        that writes and `epoch` raise `StoreTrouble` until it is back, which it never is once another has claimed.
        """
        lock = self._database.lock
        if not await take(lock):
            raise StoreTrouble(
                f"another daemon uses this database{await self._owner()}",
                where=self._database.where,
                remedy="Stop it, or name another database",
            )
        row = {"epoch": FleetRow.epoch + 1, "claims": FleetRow.claims + 1, "owner": who, "owned_since": at}
        try:
            async with self._database.writing() as connection:
                await connection.execute(update(FleetRow).values(row))
                made = (await connection.execute(FLEET)).one()
        except BaseException:
            await lock.release()
            raise
        self._claim = Claim(lock, made.claims, self._claims, self._database.where)
        self._database.confirm = self._claim.confirm
        return int(made.epoch)

    async def epoch(self) -> int:
        """The fencing number of this database; a new database starts at 1."""
        async with self._database.reading() as connection:
            fleet = (await connection.execute(FLEET)).one()
        if self._claim is not None:
            self._claim.match(fleet)  # a later owner's number would open devices to this daemon
        return int(fleet.epoch)

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

    async def release(self) -> None:
        """Give the database back, if it was claimed."""
        if self._claim is not None:
            await self._claim.release()

    async def _owner(self) -> str:
        async with self._database.reading() as connection:
            fleet = (await connection.execute(FLEET)).one()
        return words(fleet.owner, fleet.owned_since)

    async def _claims(self) -> int:
        async with self._database.reading() as connection:
            return int((await connection.execute(FLEET)).one().claims)
