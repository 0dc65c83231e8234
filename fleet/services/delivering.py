"""Delivering notices: each receiver is told what it wants to know, in order, until it was told or that is a day old.

What is still to be told is written down together with the notice, so that a restart loses nothing, and taken back once
it was told. A daemon that dies between the two tells it again, under the same id.
"""

from __future__ import annotations

import asyncio
import hashlib
import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final, Protocol
from zoneinfo import ZoneInfo

from fleet.errors import FleetError
from fleet.model.names import shown
from fleet.model.notice import Notice
from fleet.model.receiver import Delivery, ReceiverRules
from fleet.reconcile.deliveries import held_until, next_of, too_old, wait_s, wants
from fleet.services.desired import Desired
from fleet.services.notices import Notices
from fleet.store.protocol import Store
from fleet.tasks import end

log = logging.getLogger(__name__)

TICK_WAITS_S: Final = 0.2
"""How long a tick waits for receivers that are being told; a slow one is told on beside it."""
FOR_LONG: Final = timedelta(minutes=5)
MOST_TOGETHER: Final = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Parcel:
    """What a receiver is told at once; more than one notice after quiet hours.

    A repetition has the same `id`. `more` notices were left out, since there are too many. `test` marks a trial.
    """

    id: str
    venue: str
    time_zone: str
    notices: tuple[Notice, ...]
    more: int = 0
    test: bool = False


class Receiver(Protocol):
    """Somebody who can be told of notices."""

    @property
    def rules(self) -> ReceiverRules:
        """What it is told, and when."""
        ...

    @property
    def words(self) -> str:
        """What it is, for people; without secrets."""
        ...

    async def deliver(self, parcel: Parcel) -> None:
        """Tell it. Raises `NotDelivered`, also where it takes too long."""
        ...


@dataclass(slots=True, kw_only=True)
class _Line:
    """The way to one receiver: what waits, what was told but still is written down, and how it goes."""

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


class Delivering:
    """Tells receivers. They do not wait for each other."""

    def __init__(
        self,
        *,
        store: Store,
        desired: Desired,
        notices: Notices,
        receivers: Sequence[Receiver],
        clock: Callable[[], datetime],
    ) -> None:
        self._store = store
        self._desired = desired
        self._notices = notices
        self._clock = clock
        self._lines = {r.rules.name: _Line(receiver=r) for r in receivers}
        self._next_number = 0
        self._opening = asyncio.Lock()
        self._open = False
        self._closed = False
        if receivers:
            notices.send_through(self)

    async def tick(self) -> None:
        """Tell what is due."""
        if self._closed or not self._lines:
            return
        await self._take_up()
        now = self._clock()
        for name, line in self._lines.items():
            if line.task is None and _may_run(line, now):
                line.task = asyncio.create_task(self._tell(line), name=f"telling {name}")
        if tasks := [line.task for line in self._lines.values() if line.task is not None]:
            await asyncio.wait(tasks, timeout=TICK_WAITS_S)

    async def close(self) -> None:
        """Stop; what was not told stays written down."""
        self._closed = True
        await end(*(line.task for line in self._lines.values() if line.task is not None))

    async def test(self) -> Mapping[str, str]:
        """Send each receiver a notice that says it is a test: what was wrong by name, empty where it arrived."""
        notice = self._notices.about("test", "This is a test of how notices are delivered; nothing has happened.")
        parcel = self._parcel(notice.id, (notice,), test=True)

        async def wrong(line: _Line) -> str:
            try:
                await line.receiver.deliver(parcel)
            except FleetError as error:
                return str(error)
            return ""

        told = await asyncio.gather(*(wrong(line) for line in self._lines.values()))
        return dict(zip(self._lines, told, strict=True))

    async def states(self) -> tuple[ReceiverState, ...]:
        """How it goes with each receiver."""
        await self._take_up()
        now = self._clock()
        return tuple(
            ReceiverState(
                name=name,
                words=line.receiver.words,
                waiting=len(line.waiting),
                last_told=line.last_told,
                failing_since=line.failing_since,
                why=line.why,
                for_long=_for_long(line, now),
            )
            for name, line in self._lines.items()
        )

    async def deliveries(self, notice: Notice) -> Mapping[str, object]:
        """Who has to be told of a notice, to be written down with it."""
        await self._take_up()
        now = self._clock()
        made: dict[str, Delivery] = {}
        for name, line in self._lines.items():
            rules = line.receiver.rules
            if wants(rules, notice):
                until = held_until(rules, notice, now, self._zone())
                delivery = Delivery(
                    receiver=name,
                    notice=notice,
                    number=self._next_number,
                    due=until or now,
                    held=until is not None,
                )
                self._next_number += 1
                made[delivery.key] = delivery
        return made

    def written(self, deliveries: Mapping[str, object]) -> None:
        """Tell them, from the next tick on."""
        for key, delivery in deliveries.items():
            assert isinstance(delivery, Delivery)
            self._lines[delivery.receiver].waiting[key] = delivery

    async def _take_up(self) -> None:
        """Take up what was still to be told when the daemon stopped; once."""
        async with self._opening:
            if self._open:
                return
            found = await self._store.standing(Delivery)
            for key, delivery in found.items():
                if (line := self._lines.get(delivery.receiver)) is not None:
                    line.waiting[key] = delivery
                else:
                    await self._store.drop_standing(Delivery, key)
            gone = {shown(d.receiver) for d in found.values() if d.receiver not in self._lines}
            if gone:
                log.warning("notices that waited for %s are dropped: nobody has that name now", ", ".join(sorted(gone)))
            self._next_number = max((d.number for d in found.values()), default=-1) + 1
            self._open = True

    async def _tell(self, line: _Line) -> None:
        """Tell a receiver all that is due, until it fails."""
        try:
            await self._forget(line)
            await self._give_up(line)
            while together := next_of(line.waiting.values(), self._clock()):
                await line.receiver.deliver(self._parcel_of(together))
                line.told += together
                for delivery in together:
                    del line.waiting[delivery.key]
                self._went_well(line)
                await self._forget(line)
        except FleetError as error:
            self._failed(line, str(error))
        except Exception as error:
            log.exception("telling %s failed; it is tried again", line.receiver.rules.name)
            self._failed(line, f"a fault of this program: {type(error).__name__}")
        finally:
            line.task = None

    async def _forget(self, line: _Line) -> None:
        """Take back what was told. What cannot be taken back now is not told again all the same."""
        while line.told:
            await self._store.drop_standing(Delivery, line.told[0].key)
            del line.told[0]

    async def _give_up(self, line: _Line) -> None:
        old = [d for d in line.waiting.values() if too_old(d, self._clock())]
        for delivery in old:
            del line.waiting[delivery.key]
            line.told.append(delivery)
        if old:
            name = line.receiver.rules.name
            log.warning("notices given up, since %s could not be told for a day: %d", name, len(old))
        await self._forget(line)

    def _went_well(self, line: _Line) -> None:
        if line.complained:
            log.info("%s is told of notices again", line.receiver.rules.name)
        line.failures, line.failing_since, line.why, line.complained, line.next_try = 0, None, "", False, None
        line.last_told = self._clock()

    def _failed(self, line: _Line, why: str) -> None:
        now = self._clock()
        line.failures += 1
        line.failing_since = line.failing_since or now
        line.why = why
        line.next_try = now + timedelta(seconds=wait_s(line.failures))
        if _for_long(line, now) and not line.complained:
            line.complained = True
            name, since = line.receiver.rules.name, line.failing_since.astimezone(self._zone())
            log.warning("%s cannot be told of notices since %s: %s", name, f"{since:%H:%M}", why)
        else:
            log.debug("%s is not told yet: %s", line.receiver.rules.name, why)

    def _parcel_of(self, together: Sequence[Delivery]) -> Parcel:
        notices = tuple(d.notice for d in together)
        if len(notices) == 1:
            return self._parcel(notices[0].id, notices)
        ids = " ".join(n.id for n in notices)
        return self._parcel(f"digest-{hashlib.sha256(ids.encode()).hexdigest()[:16]}", notices)

    def _parcel(self, key: str, notices: tuple[Notice, ...], *, test: bool = False) -> Parcel:
        version = self._desired.version
        return Parcel(
            id=key,
            venue=version.venue.name if version else "",
            time_zone=self._zone().key,
            notices=notices[:MOST_TOGETHER],
            more=max(0, len(notices) - MOST_TOGETHER),
            test=test,
        )

    def _zone(self) -> ZoneInfo:
        version = self._desired.version
        return ZoneInfo(version.venue.time_zone if version else "UTC")


def _may_run(line: _Line, now: datetime) -> bool:
    if line.next_try is not None and now < line.next_try:
        return False
    return bool(line.told or any(d.due <= now for d in line.waiting.values()))


def _for_long(line: _Line, now: datetime) -> bool:
    return line.failing_since is not None and now - line.failing_since >= FOR_LONG
