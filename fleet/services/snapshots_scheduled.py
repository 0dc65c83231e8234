"""A snapshot each day at a time on the venue's clock, and an end for those that nobody asked for."""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from fleet.errors import FleetError
from fleet.model.audit import Act
from fleet.model.days import HOUSE_MODE, Scheduled
from fleet.model.listing import counted
from fleet.model.snapshot import AUTOMATIC, Taken
from fleet.reconcile.scheduling import clock_was_wrong, missed, next_after
from fleet.services.audit import DAEMON, Audit
from fleet.services.desired import Desired
from fleet.services.snapshots import Snapshots
from fleet.store.protocol import Store

log = logging.getLogger(__name__)

WHO: Final = "schedule"
SCHEDULED: Final[tuple[Taken, ...]] = ("schedule",)
TIDY_EVERY: Final = timedelta(hours=1)
AGAIN_AFTER: Final = timedelta(minutes=1)


class ScheduledSnapshots:
    """Takes one when its time comes, also late where the daemon was off then; a tick is cheap until something is due.

    Times that a clock put forward skips or that one put back has twice are those of `reconcile.scheduling`.
    """

    def __init__(
        self,
        *,
        store: Store,
        desired: Desired,
        snapshots: Snapshots,
        audit: Audit,
        at: time | None,
        kept_days: int,
        clock: Callable[[], datetime],
    ) -> None:
        self._store = store
        self._desired = desired
        self._snapshots = snapshots
        self._audit = audit
        self._daily = (Scheduled(at=at, mode=HOUSE_MODE),) if at is not None else ()
        self._kept = timedelta(days=kept_days)
        self._clock = clock
        self._after: datetime | None = None
        """Up to which moment the times are dealt with."""
        self._not_before: datetime | None = None
        self._next: tuple[ZoneInfo, datetime | None] | None = None
        self._tidied: datetime | None = None

    async def tick(self) -> None:
        """Do what is due by the clock."""
        now = self._clock()
        if self._tidied is None or abs(now - self._tidied) >= TIDY_EVERY:
            await self._tidy(now)
        if self._daily and (self._not_before is None or now >= self._not_before):
            await self._take_due(now)

    async def _take_due(self, now: datetime) -> None:
        zone = self._desired.zone
        if self._after is None:
            last = await self._store.snapshots(1, SCHEDULED)
            self._after = last[0].at if last else now
        if clock_was_wrong(self._after, now):
            self._after, self._next = now, None
        if self._next is None or self._next[0] != zone:
            self._next = (zone, next_after(self._daily, zone, self._after))
        _, upcoming = self._next
        if upcoming is None or now < upcoming:
            return
        found = missed(self._daily, zone, self._after, now)
        try:
            if found is not None:
                late = f", taken late: it was due {found.due.day}" if found.too_late else ""
                await self._snapshots.take(WHO, f"daily, at {found.due.entry.at:%H:%M}{late}", taken="schedule")
        except FleetError as error:
            self._not_before = now + AGAIN_AFTER
            log.warning("the daily snapshot could not be taken, and is tried again: %s", error)
            return
        self._after, self._next, self._not_before = now, None, None

    async def _tidy(self, now: datetime) -> None:
        self._tidied = now
        gone = await self._store.drop_snapshots(AUTOMATIC, now - self._kept)
        if gone:
            what = f"removed {counted(gone, 'automatic snapshot')} older than {self._kept.days} days"
            log.info("%s", what)
            self._audit.note(Act(who=DAEMON, role=DAEMON, what=what, source=DAEMON, result="done"))
