"""Walks: one position of a room after another is heard alone, each by a change on trial that always goes back.

A walk is written down before each step, and each step's change has an id that is known beforehand. So whoever dies,
the mutes and levels come back: by the daemon when nobody goes on, by its restart, and by the devices' own timers.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime

from fleet.errors import BadInput, Refused
from fleet.model.names import shown
from fleet.model.walk import Answers, Heard, Lead, Move, Walk, WalkState
from fleet.reconcile.scope import room_of
from fleet.reconcile.walking import ahead
from fleet.services.changes import Changes
from fleet.services.desired import Desired
from fleet.services.guest_book import GuestBook
from fleet.services.holds import Holds
from fleet.services.outlook import Lookout
from fleet.services.walk_beginning import AskedWalk, continued, new_walk, refuse_wrong, to_continue
from fleet.services.walk_records import WalkRecords
from fleet.services.walk_steps import WalkSteps
from fleet.services.walk_trials import WalkTrials, not_taken_back
from fleet.services.walk_watching import WalkWatching
from fleet.store.protocol import Store


class Walking:
    """Carries out walks, one at a time in each room, and keeps what was found."""

    def __init__(
        self,
        *,
        store: Store,
        desired: Desired,
        holds: Holds,
        guest_book: GuestBook,
        lookout: Lookout,
        changes: Changes,
        clock: Callable[[], datetime],
        new_id: Callable[[], str],
    ) -> None:
        self._desired = desired
        self._holds = holds
        self._guest_book = guest_book
        self._changes = changes
        self._clock = clock
        self._new_id = new_id
        self._closing = asyncio.Event()
        self._leads: dict[str, Lead] = {}
        """Who leads which walk; not stored, since a walk is stopped by whatever stops the daemon."""
        self._records = WalkRecords(store, clock)
        self._trials = WalkTrials(changes, self._closing)
        self._steps = WalkSteps(
            records=self._records, trials=self._trials, desired=desired, lookout=lookout, clock=clock
        )
        self._watching = WalkWatching(self._records, self._trials, self._closing)

    async def begin(self, asked: AskedWalk, who: str) -> Walk:
        """Begin a walk, or continue the last one; nothing is touched before its first step.

        Raises `NotFound` for an unknown room or group, or where there is nothing to continue, `BadInput`, and
        `Refused` for a room on hold or with a guest, where another walk of the room is going on, and where a change
        holds one of its devices.
        """
        room = room_of(self._desired.venue(), asked.room)
        refuse_wrong(asked)
        if (hold := (await self._holds.current()).get(room.name)) is not None:
            raise Refused(f"{room.name} is on hold by {hold.who}", guards=("hold",), remedy="Wait, or release it.")
        if (session := (await self._guest_book.current()).get(room.name)) is not None:
            raise Refused(
                f"{session.guest} is the guest in {room.name}", guards=("guest",), remedy="Wait until it has left."
            )
        async with self._records.lock(room.name):
            self._trials.refuse_closing()
            of_room = [w for w in await self._records.walks() if w.room == room.name]
            if asked.go_on:
                walk = continued(await self._taken_back(to_continue(of_room, asked), who), asked)
            else:
                venue, began = self._desired.venue(), self._clock()
                walk = new_walk(of_room, asked, venue, walk=self._new_id(), who=who, began=began)
                self._changes.check_free({room.positions[name].device for name in walk.positions})
            await self._records.save(walk)
            self._leads[walk.id] = Lead(who=who, screen=asked.screen)
            self._watching.watch(walk)
            return walk

    async def step(
        self, walk: str, move: Move, who: str, why: str = "", *, screen: str = "", seen: int | None = None
    ) -> Walk:
        """Take the position under test back, then go where the move leads; the walk is done where nothing is left.

        Positions that cannot be walked are noted on the way, and `why` one is skipped. Raises `NotFound`, and
        `Refused` where the walk has ended, is led from another screen, has had another number of steps than was
        `seen`, cannot make the move, or the change that it takes failed or was refused.
        """
        async with self._records.lock((await self.walk(walk)).room):
            one = await self._going_on(walk, screen)
            if seen is not None and seen != one.steps:
                raise Refused(f"walk {one.id} has gone on meanwhile", remedy="Look where it is, and go on from there.")
            names = ahead(one, move)
            try:
                one = await self._taken_back(one, who)
                if move == "skip":
                    one = self._steps.skipped(one, f"skipped by {who}{f': {why}' if why else ''}")
                return await self._steps.first_of(one, names, move, who)
            finally:
                self._watching.watch(await self.walk(walk))

    async def answer(self, walk: str, position: str, answers: Answers, who: str, *, screen: str = "") -> Walk:
        """Write down what was heard at the position under test, instead of earlier answers for it.

        Raises `NotFound`, `BadInput` for a measured value without its instrument, and `Refused` where the position is
        not under test (any more), or the walk is led from another screen.
        """
        if answers.measured and not answers.instrument:
            raise BadInput("a measured value has no instrument", remedy="Name it, and its serial number.")
        async with self._records.lock((await self.walk(walk)).room):
            one = await self._going_on(walk, screen)
            if one.now is None or one.now.position != position:
                raise Refused(f"{shown(position)} is not under test", remedy="Repeat it.")
            heard = Heard(step=one.now, answers=answers, who=who, at=self._clock())
            one = replace(
                one,
                heard=(*(h for h in one.heard if h.step.position != position), heard),
                not_walked=tuple(n for n in one.not_walked if n.position != position),
            )
            await self._records.save(one)
            return one

    async def end(self, walk: str, who: str) -> Walk:
        """Take the position under test back and stop the walk; one that has ended stays as it is. Raises `NotFound`."""
        async with self._records.lock((await self.walk(walk)).room):
            one = await self.walk(walk)
            if one.state is not WalkState.WALKING:
                return one
            one = await self._taken_back(one, who)
            return await self._records.ended(one, WalkState.STOPPED, f"ended by {who}")

    async def walk(self, walk: str) -> Walk:
        """A walk by its id. Raises `NotFound`."""
        return await self._records.walk(walk)

    async def walks(self) -> tuple[Walk, ...]:
        """All walks, last begun first."""
        return await self._records.walks()

    async def baseline_of(self, walk: Walk) -> Walk | None:
        """The walk that this one is compared with: the last baseline of its room that was begun before it."""
        return await self._records.baseline_of(walk)

    async def recover(self) -> None:
        """Take back what a stopped daemon left under test. To be called once changes are being recovered."""
        await self._watching.recover()

    async def close(self) -> None:
        """Stop. To be called once changes are closed, which takes their steps back."""
        self._closing.set()
        await self._watching.closed()

    def lead(self, walk: Walk) -> Lead:
        """Who leads a walk, or led it last."""
        return self._leads.get(walk.id) or Lead(who=walk.who)

    def goes_back_in_s(self, walk: Walk) -> float | None:
        """After how many seconds the position under test goes back unless somebody goes on; `None` without one.

        The devices count from a moment later on, so that it is never too many.
        """
        if walk.now is None or walk.state is not WalkState.WALKING:
            return None
        return max(0.0, walk.step_within_s - (self._clock() - walk.now.at).total_seconds())

    async def all_back(self, walk: Walk) -> bool:
        """Whether nothing of a walk is left on devices: its last step has gone back, and needs no person."""
        return walk.now is None and await self._trials.went_back(walk.change_of_step)

    async def _going_on(self, walk: str, screen: str) -> Walk:
        one = await self.walk(walk)
        if one.state is not WalkState.WALKING:
            why = f": {one.words}" if one.words else ""
            remedy = f"`fleet walk {one.room} --continue` goes on." if one.state is WalkState.STOPPED else ""
            raise Refused(f"walk {one.id} is {one.state}{why}", remedy=remedy)
        if (lead := self.lead(one)).screen != screen:
            remedy = f"Take it over, or at a terminal `fleet walk {one.room} --continue`."
            raise Refused(f"walk {one.id} is led by {lead.who} from another screen", remedy=remedy)
        self._trials.refuse_closing()
        return one

    async def _taken_back(self, walk: Walk, who: str) -> Walk:
        """The walk with nothing under test and not watched, once everything is as it was before.

        Raises `Refused` where a device needs a person; the walk is stopped then.
        """
        self._watching.let_go(walk)
        if walk.now is None:
            return walk
        record = await self._trials.cancelled(walk.now, f"{who}, walking")
        walk = replace(walk, now=None)
        if record is not None and (words := not_taken_back(record)):
            await self._records.ended(walk, WalkState.STOPPED, words)
            raise Refused(words, remedy=f"See `fleet changes {record.id}`.")
        await self._records.save(walk)
        return walk
