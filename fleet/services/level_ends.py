"""Level changes with an end are taken back when it comes, as far as nobody chose another level since."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from fleet.errors import FleetError, NotFound, Refused
from fleet.model.change import ChangeRecord, ChangeState
from fleet.model.plan import Plan
from fleet.model.standing import LevelEnd, level_place
from fleet.model.venue_time import on_the_clock
from fleet.reconcile.level_standing import key_of
from fleet.reconcile.levels import plan_level_end
from fleet.reconcile.scope import select
from fleet.services.changes import Changes
from fleet.services.desired import Desired
from fleet.services.notices import Notices
from fleet.services.outlook import Lookout
from fleet.store.protocol import Store

AGAIN_AFTER: Final = timedelta(minutes=1)
LATE_AFTER: Final = timedelta(minutes=5)
"""What is only in the way for a moment (another change, a link that is down) is no matter for a notice before that."""
WAIT_S: Final = 60.0
WAIT_FOR_DEVICES: Final = timedelta(seconds=30)
"""A box that is not up when the time comes may only be on its way back, as all are after a restart of the broker."""
LOOK_EVERY: Final = timedelta(seconds=5)


class LevelEnds:
    """Takes level changes back at their time. What stands in the way is told once, and tried again until it works."""

    def __init__(
        self,
        *,
        store: Store,
        desired: Desired,
        lookout: Lookout,
        changes: Changes,
        notices: Notices,
        clock: Callable[[], datetime],
    ) -> None:
        self._store = store
        self._desired = desired
        self._lookout = lookout
        self._changes = changes
        self._notices = notices
        self._clock = clock
        self._ends: dict[str, LevelEnd] | None = None
        self._turn = 0
        self._not_before: dict[str, datetime] = {}
        self._waited_since: dict[str, datetime] = {}
        changes.listen(self._changed)

    async def current(self) -> tuple[LevelEnd, ...]:
        """The ends that are still to come, the next one first."""
        return tuple(sorted((await self._read()).values(), key=lambda e: (e.until, e.change)))

    async def tick(self) -> None:
        """Take back what is due."""
        now = self._clock()
        for end in await self.current():
            if end.until <= now and self._not_before.get(end.change, now) <= now and self._desired.version is not None:
                await self._take_back(end)

    async def _take_back(self, end: LevelEnd) -> None:
        try:
            plan = await self._plan(end)
            if plan.empty():
                await self._drop(end)
                return
            if self._waits(end, plan):
                return
            why = f"the time of change {end.change} is up: it was until {self._clock_words(end)}"
            record = await self._changes.begin(plan, who=end.who, why=why)
            while not record.state.ended:
                record = await self._changes.wait(record.id, WAIT_S)
        except NotFound:  # its room is no more
            await self._drop(end)
            return
        except FleetError as error:
            await self._in_the_way(end, error)
            return
        if record.state is not ChangeState.KEPT:
            words = "; ".join(record.culprits.values()) or record.state.value
            await self._in_the_way(
                end, Refused(f"change {record.id} ended {record.state}: {words}", guards=("failed",))
            )
            return
        if plan.left_out:
            await self._tell_left_out(end, plan)
        await self._drop(end)

    def _waits(self, end: LevelEnd, plan: Plan) -> bool:
        """Whether it waits, for a moment, for boxes that would be left out."""
        now = self._clock()
        since = self._waited_since.setdefault(end.change, now)
        if not plan.left_out or now >= since + WAIT_FOR_DEVICES:
            return False
        self._not_before[end.change] = now + LOOK_EVERY
        return True

    async def _plan(self, end: LevelEnd) -> Plan:
        venue = self._desired.venue()
        positions = select(venue, end.room)
        devices = {p.device for p in positions if key_of(venue, p) in end.back_db and not p.life_safety}
        return plan_level_end(await self._lookout.look(devices), end)

    async def _in_the_way(self, end: LevelEnd, error: FleetError) -> None:
        """Try again in a while, and say once why it is not done."""
        now = self._clock()
        self._not_before[end.change] = now + AGAIN_AFTER
        passing = not (isinstance(error, Refused) and error.guards) and now < end.until + LATE_AFTER
        if end.noticed or passing:
            return
        words = f"the level of {end.room} that {end.who} set until {self._clock_words(end)} still stands: {error}"
        held = isinstance(error, Refused) and "hold" in error.guards
        ways = [f"`fleet release {end.room}`: then it goes back by itself"] if held else []
        notice = replace(
            self._notices.about("level", words, room=end.room),
            positions=tuple(sorted(level_place(key)[1] for key in end.back_db)),
            way_out="; ".join([*ways, f"`fleet level {end.room} --to-db DB` chooses another one"]),
        )
        end = replace(end, noticed=True)
        await self._notices.give(notice, beside={end.change: end})
        await self._save(end)

    async def _tell_left_out(self, end: LevelEnd, plan: Plan) -> None:
        names = ", ".join(x.position for x in plan.left_out)
        reasons = "; ".join(dict.fromkeys(x.words for x in plan.left_out))
        notice = replace(
            self._notices.about(
                "level",
                f"{names} of {end.room} kept the level of {end.who} when its time was up: {reasons}",
                room=end.room,
            ),
            positions=tuple(x.position for x in plan.left_out),
            devices=tuple(sorted({x.device for x in plan.left_out})),
            way_out=f"`fleet recall {end.room}` brings the level from before, once its box answers again",
        )
        await self._notices.give(notice)

    def _clock_words(self, end: LevelEnd) -> str:
        return on_the_clock(end.until, self._desired.venue().time_zone)

    def _changed(self, record: ChangeRecord) -> None:
        if record.state is ChangeState.KEPT and record.plan.then.until is not None:
            self._turn += 1
            self._ends = None

    async def _save(self, end: LevelEnd) -> None:
        await self._store.save_standing(end.change, end)
        (await self._read())[end.change] = end

    async def _drop(self, end: LevelEnd) -> None:
        await self._store.drop_standing(LevelEnd, end.change)
        (await self._read()).pop(end.change, None)
        self._not_before.pop(end.change, None)
        self._waited_since.pop(end.change, None)

    async def _read(self) -> dict[str, LevelEnd]:
        while self._ends is None:
            turn = self._turn
            found = dict(await self._store.standing(LevelEnd))
            if turn == self._turn:  # else a change was kept meanwhile, and `found` may be from before it
                self._ends = found
        return self._ends
