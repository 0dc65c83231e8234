"""Delivering notices: each receiver is told what it wants to know, in order, until it was told or that is a day old.

What is still to be told is written down together with the notice, so that a restart loses nothing, and taken back once
it was told. A daemon that dies between the two tells it again, under the same id.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Final

from fleet.errors import FleetError
from fleet.model.names import shown
from fleet.model.notice import Notice
from fleet.model.receiver import Delivery
from fleet.reconcile.deliveries import held_until, next_of, wants
from fleet.services.delivery_lines import Line, ReceiverState
from fleet.services.desired import Desired
from fleet.services.notices import Notices
from fleet.services.receivers import Parcel, Receiver, parcel_of
from fleet.store.protocol import Store
from fleet.tasks import end

log = logging.getLogger(__name__)

TICK_WAITS_S: Final = 0.2
"""How long a tick waits for receivers that are being told; a slow one is told on beside it."""


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
        self._lines = {r.rules.name: Line(receiver=r) for r in receivers}
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
            if line.has_work(now):
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
        parcel = self._parcel((notice,), test=True)

        async def wrong(line: Line) -> str:
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
        return tuple(line.state(now) for line in self._lines.values())

    async def deliveries(self, notice: Notice) -> Mapping[str, object]:
        """Who has to be told of a notice, to be written down with it."""
        await self._take_up()
        now = self._clock()
        made: dict[str, Delivery] = {}
        for name, line in self._lines.items():
            rules = line.receiver.rules
            if wants(rules, notice):
                until = held_until(rules, notice, now, self._desired.zone)
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

    async def _tell(self, line: Line) -> None:
        """Tell a receiver all that is due, until it fails."""
        try:
            await self._forget(line)
            line.give_up_old(self._clock())
            await self._forget(line)
            while together := next_of(line.waiting.values(), self._clock()):
                await line.receiver.deliver(self._parcel([d.notice for d in together]))
                line.went_well(together, self._clock())
                await self._forget(line)
        except FleetError as error:
            line.failed(str(error), self._clock(), self._desired.zone)
        except Exception as error:
            log.exception("telling %s failed; it is tried again", line.name)
            line.failed(f"a fault of this program: {type(error).__name__}", self._clock(), self._desired.zone)
        finally:
            line.task = None

    async def _forget(self, line: Line) -> None:
        """Take back what was told. What cannot be taken back now is not told again all the same."""
        while line.told:
            await self._store.drop_standing(Delivery, line.told[0].key)
            del line.told[0]

    def _parcel(self, notices: Sequence[Notice], *, test: bool = False) -> Parcel:
        version, zone = self._desired.version, self._desired.zone
        return parcel_of(notices, venue=version.venue.name if version else "", time_zone=zone.key, test=test)
