"""The line to one receiver: what waits for it, what it was told, and how telling it goes."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta, tzinfo
from typing import Final

from fleet.model.receiver import Delivery
from fleet.model.venue_time import clock_time
from fleet.reconcile.deliveries import too_old, wait_s
from fleet.services.receivers import Receiver

log = logging.getLogger(__name__)

FOR_LONG: Final = timedelta(minutes=5)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceiverState:
    """How it goes with a receiver: how many notices wait, and since when and why it cannot be told."""

    name: str
    words: str
    waiting: int
    last_told: datetime | None
    failing_since: datetime | None
    why: str
    for_long: bool


@dataclass(slots=True, kw_only=True)
class Line:
    """The way to one receiver. What was `told` is still written down, and has to be taken back."""

    receiver: Receiver
    waiting: dict[str, Delivery] = field(default_factory=dict)
    told: list[Delivery] = field(default_factory=list)
    failures: int = 0
    failing_since: datetime | None = None
    why: str = ""
    complained: bool = False
    next_try: datetime | None = None
    last_told: datetime | None = None
    task: asyncio.Task[None] | None = None

    @property
    def name(self) -> str:
        """The receiver's name."""
        return self.receiver.rules.name

    def has_work(self, now: datetime) -> bool:
        """Whether something is to be done for it: nobody does it yet, and it is not too soon after a failure."""
        if self.task is not None or (self.next_try is not None and now < self.next_try):
            return False
        return bool(self.told or any(d.due <= now for d in self.waiting.values()))

    def went_well(self, delivered: Sequence[Delivery], now: datetime) -> None:
        """It was told these."""
        self._no_longer_waiting(delivered)
        if self.complained:
            log.info("%s is told of notices again", self.name)
        self.failures, self.failing_since, self.why, self.complained, self.next_try = 0, None, "", False, None
        self.last_told = now

    def failed(self, why: str, now: datetime, zone: tzinfo) -> None:
        """It could not be told; tried again later. That goes to the log once it lasts, with a time of this zone."""
        self.failures += 1
        self.failing_since = self.failing_since or now
        self.why = why
        self.next_try = now + timedelta(seconds=wait_s(self.failures))
        if self._failing_for_long(now) and not self.complained:
            self.complained = True
            since = clock_time(self.failing_since, zone, now)
            log.warning("%s cannot be told of notices since %s: %s", self.name, since, why)
        else:
            log.debug("%s is not told yet: %s", self.name, why)

    def give_up_old(self, now: datetime) -> None:
        """Give up what could not be told for so long that nobody wants to know any more."""
        if old := [d for d in self.waiting.values() if too_old(d, now)]:
            self._no_longer_waiting(old)
            log.warning("notices given up, since %s could not be told for a day: %d", self.name, len(old))

    def state(self, now: datetime) -> ReceiverState:
        """How it goes with it."""
        return ReceiverState(
            name=self.name,
            words=self.receiver.words,
            waiting=len(self.waiting),
            last_told=self.last_told,
            failing_since=self.failing_since,
            why=self.why,
            for_long=self._failing_for_long(now),
        )

    def _no_longer_waiting(self, deliveries: Sequence[Delivery]) -> None:
        self.told += deliveries
        for delivery in deliveries:
            del self.waiting[delivery.key]

    def _failing_for_long(self, now: datetime) -> bool:
        return self.failing_since is not None and now - self.failing_since >= FOR_LONG
