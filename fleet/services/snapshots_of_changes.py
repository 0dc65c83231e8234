"""Snapshots before and after each change, of its devices alone, from the readings that the change has anyway.

The one before is what the plan was made from; the one after is what was read back last. Both are stored once the
change rests, so that no change waits for them; what a daemon had not stored when it was killed is in the journal's
checkpoint. A change that was cancelled has changed nothing, and a step of a walk always goes back: neither has any.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime

from fleet.errors import FleetError
from fleet.model.change import ChangeRecord, ChangeState
from fleet.model.names import shown
from fleet.model.snapshot import SnapshotBody, Taken
from fleet.model.state import Reported
from fleet.services.desired import Desired
from fleet.services.inventory import Inventory
from fleet.services.snapshots import not_read
from fleet.services.snapshots_sealed import Sealer
from fleet.store.protocol import Store

log = logging.getLogger(__name__)

LONGEST_NOTE = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reading:
    at: datetime
    devices: Mapping[str, Reported]
    unreachable: Mapping[str, str]


class SnapshotsOfChanges:
    """Listens to changes, and keeps what their devices reported before and after."""

    def __init__(
        self,
        *,
        store: Store,
        inventory: Inventory,
        desired: Desired,
        sealer: Sealer,
        clock: Callable[[], datetime],
    ) -> None:
        self._store = store
        self._inventory = inventory
        self._desired = desired
        self._sealer = sealer
        self._clock = clock
        self._before: dict[str, _Reading] = {}
        self._turn = asyncio.Lock()
        self._tasks: set[asyncio.Task[None]] = set()

    def changed(self, record: ChangeRecord) -> None:
        """A change began or moved on."""
        if not record.plan.devices or record.plan.kind == "walk":
            return
        if record.state is ChangeState.PLANNED:
            self._before[record.id] = self._reading(record)
        elif record.state is ChangeState.CANCELLED:
            self._before.pop(record.id, None)
        elif record.state is ChangeState.ON_TRIAL or record.state.ended:
            if (before := self._before.pop(record.id, None)) is not None:
                self._keep(record, "before", before)
            if record.state.ended:
                self._keep(record, "after", self._reading(record))

    async def settled(self) -> None:
        """Wait until all that was read is stored."""
        while self._tasks:
            await asyncio.wait(self._tasks)

    def _reading(self, record: ChangeRecord) -> _Reading:
        """What the devices of a change told last, which they just did; those that are away are named."""
        devices, unreachable = dict[str, Reported](), dict[str, str]()
        for device in sorted({p.device for p in record.plan.devices}):
            last = self._inventory.reported(device)
            if last is not None and self._inventory.online(device):
                devices[device] = last
            else:
                unreachable[device] = f"{device} did not answer"
        return _Reading(at=self._clock(), devices=devices, unreachable=unreachable)

    def _keep(self, record: ChangeRecord, taken: Taken, reading: _Reading) -> None:
        task = asyncio.create_task(self._store_one(record, taken, reading), name=f"snapshot {taken} {record.id}")
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _store_one(self, record: ChangeRecord, taken: Taken, reading: _Reading) -> None:
        version = self._desired.version
        words = f"change {record.id} ({record.plan.kind} {record.plan.scope})"
        body = SnapshotBody(
            id=f"{record.id}-{taken}",
            venue=version.venue.name if version else "",
            at=reading.at,
            taken_by=record.who,
            note=shown(f"{taken} {words}: {record.why or 'no reason given'}", LONGEST_NOTE),
            desired_sha256=record.plan.desired_sha256,
            devices=tuple(reading.devices.values()),
            not_read=not_read(self._desired, dict(reading.unreachable)),
            taken=taken,
            change=record.id,
            scope=f"only the devices of {words}",
        )
        try:
            async with self._turn:  # one at a time: whatever else there is to do comes first
                await self._store.save_snapshot(await self._sealer.seal(body))
        except FleetError as error:
            log.warning("no snapshot %s change %s is kept: %s", taken, record.id, error)
        except ValueError as error:  # a device told what no canonical JSON can hold
            log.warning(
                "no snapshot %s change %s is kept: what was reported cannot be sealed: %s", *(taken, record.id, error)
            )
