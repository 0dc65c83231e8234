"""Walks: one position of a room after another is heard alone, each by a change on trial that always goes back.

A walk is written down before each step, and each step's change has an id that is known beforehand. So whoever dies,
the mutes and levels come back: by the daemon when nobody goes on, by its restart, and by the devices' own timers.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections import defaultdict
from collections.abc import Callable, Coroutine
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from fleet.desired.taps import load_ohm
from fleet.errors import BadInput, FleetError, NotFound, Refused
from fleet.model.change import ChangeRecord, ChangeState
from fleet.model.durations import words_of
from fleet.model.names import shown
from fleet.model.plan import Plan
from fleet.model.venue import Position, Room
from fleet.model.walk import Answers, Heard, Move, Step, Walk, WalkState
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.scope import room_of, select
from fleet.reconcile.walking import (
    LIFE_SAFETY,
    ahead,
    in_order,
    levels_at,
    noted,
    others_of,
    plan_step,
    serves_life_safety,
    unwalkable,
)
from fleet.services.changes import Changes
from fleet.services.desired import Desired
from fleet.services.holds import Holds
from fleet.services.outlook import Lookout
from fleet.store.protocol import Store

log = logging.getLogger(__name__)

LEVEL_DB = -30.0
"""The highest level under test unless another one is asked for."""
STEP_WITHIN_S = 600.0
SHORTEST_STEP_S, LONGEST_STEP_S = 10.0, 3600.0
OWN_GUARDS = frozenset({"half-room", "live-click", "many-devices"})
"""Lifted by a walk itself: to silence a whole room is what it is for."""
LOOK_AGAIN_S = 0.2
WAIT_S = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedWalk:
    """A walk to begin, or (`go_on`) the last one of the room to continue; its own levels and times hold then."""

    room: str
    group: str | None = None
    level_db: float = LEVEL_DB
    step_within_s: float = STEP_WITHIN_S
    go_on: bool = False
    as_baseline: bool = False


class Walking:
    """Carries out walks, one at a time in each room, and keeps what was found."""

    def __init__(
        self,
        *,
        store: Store,
        desired: Desired,
        holds: Holds,
        lookout: Lookout,
        changes: Changes,
        clock: Callable[[], datetime],
        new_id: Callable[[], str],
    ) -> None:
        self._store = store
        self._desired = desired
        self._holds = holds
        self._lookout = lookout
        self._changes = changes
        self._clock = clock
        self._new_id = new_id
        self._locks: dict[str, asyncio.Lock] = defaultdict(asyncio.Lock)
        """By room: whoever changes a walk of it."""
        self._watches: dict[str, asyncio.Task[None]] = {}
        self._closing = asyncio.Event()

    async def begin(self, asked: AskedWalk, who: str) -> Walk:
        """Begin a walk, or continue the last one; nothing is touched before its first step.

        Raises `NotFound` for an unknown room or group, or where there is nothing to continue, `BadInput`, and
        `Refused` for a room on hold and where another walk of the room is going on.
        """
        room = room_of(self._desired.venue(), asked.room)
        _check(asked)
        if (hold := (await self._holds.current()).get(room.name)) is not None:
            raise Refused(f"{room.name} is on hold by {hold.who}", guards=("hold",), remedy="Wait, or release it.")
        async with self._locks[room.name]:
            self._refuse_closing()
            of_room = [w for w in await self._store.walks() if w.room == room.name]
            walk = await self._continued(of_room, asked, who) if asked.go_on else self._new(of_room, asked, room, who)
            await self._store.save_walk(walk)
            self._watch(walk)
            return walk

    async def step(self, walk: str, move: Move, who: str, why: str = "") -> Walk:
        """Take the position under test back, then go where the move leads; the walk is done where nothing is left.

        Positions that cannot be walked are noted on the way, and `why` one is skipped. Raises `NotFound`, and
        `Refused` where the walk has ended, cannot make the move, or the change that it takes failed or was refused.
        """
        async with self._locks[(await self.walk(walk)).room]:
            one = await self._going_on(walk)
            names = ahead(one, move)
            try:
                one = await self._taken_back(one, who)
                if move == "skip" and one.at:
                    one = noted(one, self._position(one, one.at), f"skipped by {who}{f': {why}' if why else ''}")
                return await self._first_of(one, names, move, who)
            finally:
                self._watch(await self.walk(walk))

    async def answer(self, walk: str, position: str, answers: Answers, who: str) -> Walk:
        """Write down what was heard at the position under test, instead of earlier answers for it.

        Raises `NotFound`, `BadInput` for a measured value without its instrument, and `Refused` where the position is
        not under test (any more).
        """
        if answers.measured and not answers.instrument:
            raise BadInput("a measured value has no instrument", remedy="Name it, and its serial number.")
        async with self._locks[(await self.walk(walk)).room]:
            one = await self._going_on(walk)
            if one.now is None or one.now.position != position:
                raise Refused(f"{shown(position)} is not under test", remedy="Repeat it.")
            heard = Heard(step=one.now, answers=answers, who=who, at=self._clock())
            one = replace(
                one,
                heard=(*(h for h in one.heard if h.step.position != position), heard),
                not_walked=tuple(n for n in one.not_walked if n.position != position),
            )
            await self._store.save_walk(one)
            return one

    async def end(self, walk: str, who: str) -> Walk:
        """Take the position under test back and stop the walk; one that has ended stays as it is. Raises `NotFound`."""
        async with self._locks[(await self.walk(walk)).room]:
            one = await self.walk(walk)
            if one.state is not WalkState.WALKING:
                return one
            one = await self._taken_back(one, who)
            return await self._ended(one, WalkState.STOPPED, f"ended by {who}")

    async def walk(self, walk: str) -> Walk:
        """A walk by its id. Raises `NotFound`."""
        one = await self._store.walk(walk)
        if one is None:
            raise NotFound(f"no walk {shown(walk)!r}", remedy="`fleet walk --list` lists them.")
        return one

    async def walks(self) -> tuple[Walk, ...]:
        """All walks, last begun first."""
        return await self._store.walks()

    async def baseline_of(self, walk: Walk) -> Walk | None:
        """The walk that this one is compared with: the last baseline of its room that was begun before it."""
        walks = await self._store.walks()
        ids = [one.id for one in walks]
        before = walks[ids.index(walk.id) + 1 :] if walk.id in ids else ()
        return next(
            (w for w in before if w.room == walk.room and w.as_baseline and w.state is WalkState.DONE),
            None,
        )

    async def recover(self) -> None:
        """Take back what a stopped daemon left under test. To be called once changes are being recovered."""
        for walk in await self._store.walks():
            if walk.state is WalkState.WALKING and walk.id not in self._watches:
                log.warning("walk %s of %s was left; its step is taken back", walk.id, walk.room)
                self._spawn(walk, self._recovered)

    async def close(self) -> None:
        """Stop. To be called once changes are closed, which takes their steps back."""
        self._closing.set()
        watches = dict(self._watches)
        if watches:
            await asyncio.wait(set(watches.values()))
        for name in watches:
            walk = await self.walk(name)
            if walk.state is WalkState.WALKING and await self._is_back(walk):
                await self._ended(replace(walk, now=None), WalkState.STOPPED, "the daemon was stopped")

    def _new(self, of_room: list[Walk], asked: AskedWalk, room: Room, who: str) -> Walk:
        if going := next((w for w in of_room if w.state is WalkState.WALKING), None):
            raise Refused(
                f"walk {going.id} of {going.who} is going on in {room.name}",
                remedy=f"`fleet walk {room.name} --continue` takes it over.",
            )
        venue = self._desired.venue()
        chosen = in_order({p.name: p for p in select(venue, room.name, group=asked.group)})
        left_alone = [p for p in chosen if serves_life_safety(venue, p)]
        walk = Walk(
            id=self._new_id(),
            room=room.name,
            only_group=asked.group or "",
            who=who,
            began=self._clock(),
            level_db=asked.level_db,
            step_within_s=asked.step_within_s,
            as_baseline=asked.as_baseline,
            positions=tuple(p.name for p in chosen if p not in left_alone),
        )
        for position in left_alone:
            words = LIFE_SAFETY if position.life_safety else f"{position.device} serves {LIFE_SAFETY}"
            walk = noted(walk, position, words, life_safety=True)
        return walk

    async def _continued(self, of_room: list[Walk], asked: AskedWalk, who: str) -> Walk:
        """The last walk of a room, with everything ahead of it that it has no answers for."""
        if not of_room or (of_room[0].state is WalkState.DONE and not _missed(of_room[0])):
            raise NotFound(f"no walk of {asked.room} is left to continue", remedy="Begin one.")
        if asked.as_baseline and of_room[0].only_group:
            raise _no_baseline()
        walk = await self._taken_back(of_room[0], who)
        kept = tuple(n for n in walk.not_walked if n.life_safety)
        return replace(
            walk,
            state=WalkState.WALKING,
            as_baseline=walk.as_baseline or asked.as_baseline,
            at="",
            not_walked=kept,
            words="",
            ended=None,
        )

    async def _first_of(self, walk: Walk, names: tuple[str, ...], move: Move, who: str) -> Walk:
        """Go to the first of these positions that can be walked."""
        for name in names:
            room, position = self._room(walk), self._position(walk, name)
            outlook = await self._lookout.look(self._devices(room))
            if words := unwalkable(outlook, position, walk.level_db):
                if move == "repeat":
                    raise Refused(f"{name}: {words}")
                walk = noted(walk, position, words)
                continue
            return await self._go(walk, outlook, room, position, who)
        if move == "back":
            await self._store.save_walk(walk)
            raise Refused("no position before this one can be walked")
        return await self._ended(walk, WalkState.DONE, "")

    async def _go(self, walk: Walk, outlook: Outlook, room: Room, position: Position, who: str) -> Walk:
        plan = plan_step(outlook, room, position, walk.level_db)
        walk = replace(walk, at=position.name, steps=walk.steps + 1)
        step = _step_of(outlook, room, position, plan, walk, self._clock())
        walk = replace(walk, now=step)
        await self._store.save_walk(walk)
        try:
            await self._try_out(walk, step, plan, who)
        except FleetError:
            await self._store.save_walk(replace(walk, now=None))
            raise
        return walk

    async def _try_out(self, walk: Walk, step: Step, plan: Plan, who: str) -> None:
        """Put the change of a step on trial. Raises `Refused` where it does not come to that: it has gone back then."""
        if not step.change:
            return
        await self._changes.begin(
            plan,
            who=who,
            why=f"walk {walk.id}: {step.position}",
            allow=OWN_GUARDS,
            keep_within_s=walk.step_within_s,
            change=step.change,
        )
        record = await self._rest_of(step.change, or_trial=True)
        if record.state is not ChangeState.ON_TRIAL:
            raise Refused(
                f"{step.position} could not be tried ({record.state}): {_culprits(record)}",
                remedy="Repeat it, or skip it.",
            )

    async def _taken_back(self, walk: Walk, who: str) -> Walk:
        """The walk with nothing under test, once everything is as it was before.

        Raises `Refused` where a device needs a person; the walk is stopped then.
        """
        if watch := self._watches.pop(walk.id, None):
            watch.cancel()
        if walk.now is None:
            return walk
        record = await self._cancelled(walk.now.change, f"{who}, walking")
        walk = replace(walk, now=None)
        if record is not None and record.state is ChangeState.NEEDS_PERSON:
            words = f"change {record.id} could not be taken back: {_stuck(record)}"
            await self._ended(walk, WalkState.STOPPED, words)
            raise Refused(words, remedy=f"See `fleet changes {record.id}`.")
        await self._store.save_walk(walk)
        return walk

    async def _cancelled(self, change: str, who: str) -> ChangeRecord | None:
        """The change at its end; `None` where it was never begun."""
        if not change:
            return None
        try:
            record = await self._changes.record(change)
        except NotFound:
            return None
        while not record.state.ended:
            self._refuse_closing()
            with contextlib.suppress(Refused):  # it ends just now, or is not taken up yet after a restart
                await self._changes.cancel(change, who)
            record = await self._changes.wait(change, WAIT_S)
            if not record.state.ended:
                await asyncio.sleep(LOOK_AGAIN_S)
        return record

    async def _rest_of(self, change: str, *, or_trial: bool = False) -> ChangeRecord:
        """The change at its end, or on trial where that will do."""
        while True:
            self._refuse_closing()
            record = await self._changes.wait(change, WAIT_S, or_trial=or_trial)
            if record.state.ended or (or_trial and record.state is ChangeState.ON_TRIAL):
                return record
            await asyncio.sleep(LOOK_AGAIN_S)

    async def _ended(self, walk: Walk, state: WalkState, words: str) -> Walk:
        walk = replace(walk, state=state, words=words, ended=self._clock())
        await self._store.save_walk(walk)
        return walk

    def _watch(self, walk: Walk) -> None:
        """Stop the walk when nobody goes on with it, or its step goes back."""
        if watch := self._watches.pop(walk.id, None):
            watch.cancel()
        if walk.state is WalkState.WALKING and not self._closing.is_set():
            self._spawn(walk, self._watching)

    def _spawn(self, walk: Walk, work: Callable[[Walk], Coroutine[Any, Any, None]]) -> None:
        async def told() -> None:
            try:
                await work(walk)
            except FleetError as error:
                if self._closing.is_set():
                    return
                log.error("walk %s is not watched any more: %s", walk.id, error)  # noqa: TRY400  # it is for people

        self._watches[walk.id] = asyncio.create_task(told(), name=f"walk {walk.id}")

    async def _watching(self, walk: Walk) -> None:
        if walk.now is not None and walk.now.change:
            record = await self._rest_of(walk.now.change)
            back = f"change {record.id} could not be taken back: {_stuck(record)}"
            words = back if record.state is ChangeState.NEEDS_PERSON else f"{walk.at} went back: {_culprits(record)}"
        else:
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._closing.wait(), walk.step_within_s)
                return
            words = f"nobody went on for {words_of(walk.step_within_s)}"
        async with self._locks[walk.room]:
            one = await self.walk(walk.id)
            if one.state is WalkState.WALKING and (one.steps, one.now) == (walk.steps, walk.now):
                log.warning("walk %s of %s is stopped: %s", walk.id, walk.room, words)
                await self._ended(replace(one, now=None), WalkState.STOPPED, words)

    async def _recovered(self, walk: Walk) -> None:
        async with self._locks[walk.room]:
            if await self.walk(walk.id) != walk:
                return  # somebody went on with it meanwhile
            record = await self._cancelled(walk.now.change if walk.now else "", "the daemon, which was stopped")
            stuck = f": {_stuck(record)}" if record is not None and record.state is ChangeState.NEEDS_PERSON else ""
            await self._ended(replace(walk, now=None), WalkState.STOPPED, f"the daemon was stopped in its midst{stuck}")

    async def _is_back(self, walk: Walk) -> bool:
        if walk.now is None or not walk.now.change:
            return True
        return (await self._changes.record(walk.now.change)).state.ended

    async def _going_on(self, walk: str) -> Walk:
        one = await self.walk(walk)
        if one.state is not WalkState.WALKING:
            why = f": {one.words}" if one.words else ""
            remedy = f"`fleet walk {one.room} --continue` goes on." if one.state is WalkState.STOPPED else ""
            raise Refused(f"walk {one.id} is {one.state}{why}", remedy=remedy)
        self._refuse_closing()
        return one

    def _refuse_closing(self) -> None:
        if self._closing.is_set():
            raise Refused("the daemon is stopping")

    def _room(self, walk: Walk) -> Room:
        return room_of(self._desired.venue(), walk.room)

    def _position(self, walk: Walk, name: str) -> Position:
        positions = self._room(walk).positions
        if name not in positions:
            raise Refused(f"{walk.room} has no position {name} any more", remedy="End this walk and begin a new one.")
        return positions[name]

    def _devices(self, room: Room) -> set[str]:
        venue = self._desired.venue()
        return {p.device for p in room.positions.values() if not serves_life_safety(venue, p)}


def _missed(walk: Walk) -> bool:
    """Whether positions were not walked that could be another time."""
    return any(not one.life_safety for one in walk.not_walked)


def _check(asked: AskedWalk) -> None:
    if asked.as_baseline and asked.group:
        raise _no_baseline()
    if not SHORTEST_STEP_S <= asked.step_within_s <= LONGEST_STEP_S:
        raise BadInput(
            f"{asked.step_within_s:g} s for a position are too few or too many",
            where="--step-within",
            remedy="Give from 10s to 1h.",
        )


def _no_baseline() -> BadInput:
    return BadInput("a walk of a group is no baseline", remedy="Walk the whole room.")


def _step_of(outlook: Outlook, room: Room, position: Position, plan: Plan, walk: Walk, at: datetime) -> Step:
    levels = levels_at(outlook, position, walk.level_db)
    assert levels is not None
    line = position.line
    touched = {place for device in plan.devices for place in device.positions}
    return Step(
        position=position.name,
        device=position.device,
        output=position.output,
        serial=outlook.reported[position.device].description.serial,
        level_db=levels.level_db,
        was_db=levels.was_db,
        at=at,
        change="" if plan.empty() else f"{walk.id}-{walk.steps}",
        muted=tuple(p.name for p in others_of(room, position) if (p.room, p.name) in touched),
        may_sound=tuple(f"{out.position}: {out.words}" for out in plan.left_out),
        expected_ohm=load_ohm(line) if line is not None and line.volts is not None else None,
    )


def _culprits(record: ChangeRecord) -> str:
    return "; ".join(f"{device}: {words}" if device else words for device, words in record.culprits.items())


def _stuck(record: ChangeRecord) -> str:
    return "; ".join(f"{one.device}: {one.words}" for one in record.outcomes if one.word == "needs a person")
