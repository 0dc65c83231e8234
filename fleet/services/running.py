"""One change being carried out: events to the state machine, its effects to the devices, the journal before both."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from fleet.model.change import ChangeRecord, ChangeState, JournalEntry
from fleet.model.state import State
from fleet.reconcile.machine import left_behind, planned, step
from fleet.reconcile.outcomes import outcomes
from fleet.reconcile.progress import (
    Accept,
    Begin,
    Cancel,
    Effect,
    Elapsed,
    Event,
    Forget,
    Heard,
    Limits,
    Progress,
)
from fleet.services.noting import Notes, words_of
from fleet.services.performing import Performer
from fleet.store.protocol import Store
from fleet.tasks import end

FAREWELL_WITHIN_S = 15.0


class Run:
    """Carries one change from its beginning to one of its ends. Everything sent has its journal entry before it.

    `moved` is told the record each time it has moved on and that is durable.
    """

    def __init__(
        self,
        *,
        record: ChangeRecord,
        store: Store,
        performer: Callable[[int], Performer],
        clock: Callable[[], datetime],
        limits: Limits,
        moved: Callable[[ChangeRecord], None],
    ) -> None:
        self.record = record
        self._moved = moved
        self.devices = frozenset(p.device for p in record.plan.devices)
        self._store = store
        self._make_performer = performer
        self._clock = clock
        self._limits = limits
        self._events: asyncio.Queue[Event] = asyncio.Queue()
        self._notes = Notes(record.id, clock)
        self._ended = asyncio.Event()
        self._resting = asyncio.Event()
        """On trial, or at an end: nothing happens now without a person."""
        self._tried = asyncio.Event()
        """The trial is over, and that is durable."""
        self.on_trial = False
        """A person's answer is waited for; not yet where a change that was left on trial is still taken up again."""
        self._turn = 0
        self.stopped = False
        """It has ended, or failed: nothing is carried out any more."""
        self._tasks: set[asyncio.Task[None]] = set()
        self._farewells: set[asyncio.Task[None]] = set()
        """Words to devices that nobody waits for, and that a change sends as it ends."""

    async def begin(self) -> None:
        """Carry the change out."""
        await self._go(self._planned(self.record.keep_within_s), (), first=Begin())

    async def resume(self, entries: Sequence[JournalEntry]) -> None:
        """Read the devices of a change that was left unfinished; finish it or take it back."""
        self._notes.go_on_after(entries)
        progress, effects = left_behind(
            self._planned(self._left_of_trial_s()),
            self.record.state,
            self._now(),
            going_back=bool(self.record.culprits),
        )
        self._notes.state(progress)
        await self._go(progress, effects)

    async def drop(self, entries: Sequence[JournalEntry]) -> None:
        """End a change of which nothing was sent yet."""
        self._notes.go_on_after(entries)
        await self._go(self._planned(None), (), first=Cancel(why="the daemon stopped before it began"))

    def cancel(self, why: str) -> None:
        """Ask for the change to be stopped."""
        self._events.put_nowait(Cancel(why=why))

    async def accept(self) -> None:
        """A person keeps the change on trial; durable when this returns, unless its time was up first."""
        self._resting.clear()
        self._events.put_nowait(Accept())
        await self._tried.wait()

    def heard(self, state: State) -> None:
        """A device of the change told its state by itself."""
        if self.record.state is ChangeState.ON_TRIAL:
            self._events.put_nowait(Heard(device=state.id, change=state.change.id if state.change else None))

    async def wait(self, timeout_s: float, *, or_trial: bool = False) -> None:
        """Wait until it has ended (or is on trial, where that will do), at most so long."""
        event = self._resting if or_trial else self._ended
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(timeout_s):
                await event.wait()

    def _planned(self, trial_s: float | None) -> Progress:
        return planned(self.record.id, self.record.plan, self._now(), self._limits, trial_s=trial_s)

    def _left_of_trial_s(self) -> float | None:
        """What is left of the trial; a clock that was set back does not make it longer."""
        within_s, until = self.record.keep_within_s, self.record.trial_until
        if within_s is None or until is None:
            return within_s
        return min(within_s, (until - self._clock()).total_seconds())

    async def _go(self, progress: Progress, effects: tuple[Effect, ...], first: Event | None = None) -> None:
        performer = self._make_performer(await self._store.epoch())
        try:
            if first is not None:
                progress, effects = self._step(progress, first)
            while True:
                await self._make_durable(progress, effects)
                self._turn = progress.turn
                self._perform(performer, progress, effects)
                if progress.state.ended or progress.state is ChangeState.ON_TRIAL:
                    self._resting.set()
                if progress.state.ended:
                    self._ended.set()
                    break
                progress, effects = self._step(progress, await self._next_event(progress))
        finally:
            self.stopped = True
            self.on_trial = False
            self._tried.set()
            await _end(self._tasks, grace_s=0)
            await _end(self._farewells, grace_s=FAREWELL_WITHIN_S)

    def _step(self, progress: Progress, event: Event) -> tuple[Progress, tuple[Effect, ...]]:
        self._notes.event(progress, event)
        following, effects = step(progress, event, self._now())
        if following.state != progress.state:
            self._notes.state(following)
        return following, effects

    async def _make_durable(self, progress: Progress, effects: tuple[Effect, ...]) -> None:
        """Write the journal before anything is sent; answers that lead to nothing new wait for the next time."""
        for effect in effects:
            self._notes.effect(effect)
        if effects or progress.state != self.record.state:
            await self._store.journal(self._notes.taken())
        withdrawn = progress.state is ChangeState.RECOVERING and progress.culprits != self.record.culprits
        if progress.state == self.record.state and not withdrawn:
            return
        record = replace(
            self.record,
            state=progress.state,
            ended=self._clock() if progress.state.ended else None,
            trial_until=self._trial_until(progress),
            outcomes=outcomes(progress),
            culprits=progress.culprits,
        )
        # While it is recovering the database keeps the state in which the change was left: that decides, however
        # often a daemon stops in the middle of recovering.
        left = progress.left if progress.state is ChangeState.RECOVERING else None
        await self._store.save_change(replace(record, state=left) if left else record)
        self.record = record
        self._moved(record)
        self.on_trial = progress.state is ChangeState.ON_TRIAL
        if self.on_trial:
            self._tried.clear()
        else:
            self._tried.set()

    def _trial_until(self, progress: Progress) -> datetime | None:
        if progress.state is not ChangeState.ON_TRIAL or self.record.trial_until is not None:
            return self.record.trial_until
        return self._clock() + timedelta(seconds=progress.deadline - self._now())

    def _perform(self, performer: Performer, progress: Progress, effects: Iterable[Effect]) -> None:
        for effect in effects:
            task = asyncio.create_task(self._perform_one(performer, progress, effect), name=words_of(effect))
            tasks = self._farewells if isinstance(effect, Forget) else self._tasks
            tasks.add(task)
            task.add_done_callback(tasks.discard)

    async def _perform_one(self, performer: Performer, progress: Progress, effect: Effect) -> None:
        def wanted() -> bool:
            return isinstance(effect, Forget) or effect.turn == self._turn

        event = await performer.perform(effect, progress.device(effect.device), wanted)
        if event is not None:
            self._events.put_nowait(event)

    async def _next_event(self, progress: Progress) -> Event:
        try:
            async with asyncio.timeout_at(progress.deadline):
                return await self._events.get()
        except TimeoutError:
            return Elapsed(turn=progress.turn)

    @staticmethod
    def _now() -> float:
        return asyncio.get_running_loop().time()


async def _end(tasks: Collection[asyncio.Task[None]], *, grace_s: float) -> None:
    """Let tasks finish within a grace, then cancel them; all are done on return."""
    if tasks and grace_s:
        await asyncio.wait(set(tasks), timeout=grace_s)
    await end(*tasks)
