"""All services together, over one store, driver and clock: what a face may call.

A service is made once, where its job is told: `Ground`, then what is changed, proved and run on it.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Protocol

from fleet.drivers.protocol import Driver
from fleet.services.receivers import Receiver
from fleet.services.snapshots_sealed import Proof
from fleet.services.together_ground import Given
from fleet.services.together_running import DailyRunning
from fleet.store.protocol import Store


class Daily(Protocol):
    """A service that has things to do at times."""

    async def tick(self) -> None:
        """Do all that is due by the clock. Cheap where nothing is."""
        ...


class Services(DailyRunning):
    """What the tool does, ready to be called."""

    @property
    def daily(self) -> tuple[Daily, ...]:
        """Services that do what is due, each time they are ticked."""
        return (
            self.watching,
            self.delivering,
            self.lost_modes,
            self.levels,
            self.level_ends,
            self.mutes_over,
            self.scheduling,
            self.contacts,
            self.deviations,
            self.guests,
            self.repairing,
            self.scheduled_snapshots,
        )

    async def close(self) -> None:
        """Stop: no further room of a round and no step of a swap is begun; running changes are cancelled and ended."""
        self.bringing.close()
        self.swapping.close()
        await self.power.close()
        await asyncio.gather(self.rounds.close(), self.changes.close())
        await self.swapping.closed()
        await self.walking.close()
        await self.watching.close()
        await self.delivering.close()
        await self.snapshots_of_changes.settled()
        await self.audit.settled()


def wire(
    *,
    store: Store,
    driver: Driver,
    clock: Callable[[], datetime],
    new_id: Callable[[str], str],
    port: int | None = None,
    folder: Path | None = None,
    receivers: Sequence[Receiver] = (),
    proof: Proof | None = None,
) -> Services:
    """Wire the services.

    `new_id` makes an id with the given beginning; `port` is that of the devices' link; `folder` the venue folder that
    is loaded when it changes, and written by edits; `receivers` are told of notices; `proof` is what makes snapshots
    prove something beyond their hashes.
    """
    return Services(
        Given(
            store=store,
            driver=driver,
            clock=clock,
            new_id=new_id,
            port=port,
            folder=folder,
            receivers=receivers,
            proof=proof or Proof(),
        )
    )
