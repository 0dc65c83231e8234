"""The claim: one daemon at a time writes to a database, and one that has lost it does not go on believing."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime

from sqlalchemy import Row, select
from sqlalchemy.ext.asyncio import AsyncConnection
from sqlmodel import col

from fleet.errors import StoreTrouble
from fleet.model.venue_time import on_the_clock
from fleet.store.owning import OwnerLock
from fleet.store.tables import FleetRow
from fleet.tasks import end

log = logging.getLogger(__name__)

WATCH_EVERY_S = 2.0
TRIES = 20
"""How often a lock is tried for: a server may need a moment to see that the last owner was killed."""
PAUSE_S = 0.1

FLEET = select(col(FleetRow.epoch), col(FleetRow.claims), col(FleetRow.owner), col(FleetRow.owned_since))


async def take(lock: OwnerLock) -> bool:
    """Take a lock with a little patience; False where another process keeps it."""
    for _ in range(TRIES):
        if await lock.take():
            return True
        await asyncio.sleep(PAUSE_S)
    return False


def words(owner: str, since: datetime | None) -> str:
    """Who owns a database, in words, in UTC: here no venue is known. Nothing where nobody is known to."""
    return f": {owner}, since {on_the_clock(since, UTC, 'seconds')}" if owner and since else ""


class Claim:
    """A claim that has been made, the `number`th of its database. `now` reads the number of the last one made.

    The lock keeps others out; should it be lost, another daemon may have made a claim since, which the number tells.
    """

    def __init__(self, lock: OwnerLock, number: int, now: Callable[[], Awaitable[int]], where: str) -> None:
        self._lock = lock
        self._number = number
        self._now = now
        self._where = where
        self._watch = asyncio.create_task(self._watching(), name="store: claim")

    async def confirm(self, connection: AsyncConnection) -> None:
        """Raise `StoreTrouble` unless this claim holds; it then does to the end of the transaction, which writes."""
        if not self._lock.held:
            raise StoreTrouble(
                "this daemon lost the claim on its database",
                where=self._where,
                remedy=f"It is tried for again every {WATCH_EVERY_S:g} s; check the server and the network",
            )
        # The row stays locked: a later claim waits for this transaction, and this transaction sees an earlier one.
        self.match((await connection.execute(FLEET.with_for_update(read=True))).one())

    def match(self, fleet: Row[int, int, str, datetime | None]) -> None:
        """Raise `StoreTrouble` where the row of `fleet` tells of a later claim."""
        if fleet.claims != self._number:
            raise StoreTrouble(
                f"this daemon lost the claim on its database to another one{words(fleet.owner, fleet.owned_since)}",
                where=self._where,
                remedy="Stop this daemon, or stop the other one and restart this one",
            )

    async def release(self) -> None:
        """Give the database back."""
        await end(self._watch)
        await self._lock.release()

    async def _watching(self) -> None:
        lost = False
        while True:
            await asyncio.sleep(WATCH_EVERY_S)
            if not await self._lock.still_held():
                if not lost:
                    log.warning("%s: lost the claim on the database; nothing is written until it is back", self._where)
                lost = True
                with contextlib.suppress(StoreTrouble):
                    await self._lock.take()
            if lost and self._lock.held:
                with contextlib.suppress(StoreTrouble):
                    if await self._now() != self._number:
                        await self._lock.release()
                        log.error("%s: another daemon claimed the database meanwhile; restart this one", self._where)
                        return
                    lost = False
                    log.warning("%s: the claim on the database is back, and nobody had it meanwhile", self._where)
