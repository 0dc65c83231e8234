"""One change being carried out: events to the state machine, its effects to the devices, the journal before both."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import replace
from datetime import datetime

from fleet.model.change import ChangeRecord, ChangeState, JournalEntry, Outcome
from fleet.reconcile.machine import interrupted, planned, step
from fleet.reconcile.progress import (
    Begin,
    Cancel,
    Commit,
    Done,
    Effect,
    Elapsed,
    Event,
    Failed,
    Forget,
    Limits,
    Progress,
    ReadBack,
)
from fleet.services.performing import Performer
from fleet.store.protocol import Store

FAREWELL_WITHIN_S = 5.0


class Run:
    """Carries one change from its beginning to one of its ends. Everything sent has its journal entry before it."""

    def __init__(
        self,
        *,
        record: ChangeRecord,
        store: Store,
        performer: Callable[[int], Performer],
        clock: Callable[[], datetime],
        limits: Limits,
    ) -> None:
        self.record = record
        self.devices = frozenset(p.device for p in record.plan.devices)
        self._store = store
        self._make_performer = performer
        self._clock = clock
        self._limits = limits
        self._events: asyncio.Queue[Event] = asyncio.Queue()
        self._entries: list[JournalEntry] = []
        self._number = 0
        self._ended = asyncio.Event()
        self._tasks: set[asyncio.Task[None]] = set()
        self._farewells: set[asyncio.Task[None]] = set()
        """Words to devices that nobody waits for, and that a change sends as it ends."""

    async def begin(self) -> None:
        """Carry the change out."""
        await self._go(planned(self.record.plan, self._limits), (), first=Begin())

    async def resume(self, entries: Sequence[JournalEntry]) -> None:
        """Take an interrupted change back."""
        self._number = len(entries)
        progress, effects = interrupted(self.record.plan, self._now(), self._limits)
        self._note_state(progress)
        await self._go(progress, effects)

    async def drop(self, entries: Sequence[JournalEntry]) -> None:
        """End a change of which nothing was sent yet."""
        self._number = len(entries)
        progress = planned(self.record.plan, self._limits)
        await self._go(progress, (), first=Cancel(why="the daemon stopped before it began"))

    def cancel(self, why: str) -> None:
        """Ask for the change to be stopped."""
        self._events.put_nowait(Cancel(why=why))

    async def wait(self, timeout_s: float) -> None:
        """Wait until it has ended, at most so long."""
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._ended.wait(), timeout_s)

    async def _go(self, progress: Progress, effects: tuple[Effect, ...], first: Event | None = None) -> None:
        performer = self._make_performer(await self._store.epoch())
        try:
            if first is not None:
                progress, effects = self._step(progress, first)
            while True:
                await self._make_durable(progress, effects)
                self._perform(performer, progress, effects)
                if progress.state.ended:
                    self._ended.set()
                    break
                progress, effects = self._step(progress, await self._next_event(progress))
        finally:
            await _end(self._tasks, grace_s=0)
            await _end(self._farewells, grace_s=FAREWELL_WITHIN_S)

    def _step(self, progress: Progress, event: Event) -> tuple[Progress, tuple[Effect, ...]]:
        self._note_event(progress, event)
        following, effects = step(progress, event, self._now())
        if following.state != progress.state:
            self._note_state(following)
        return following, effects

    async def _make_durable(self, progress: Progress, effects: tuple[Effect, ...]) -> None:
        """Write the journal before anything is sent; answers that lead to no sending wait for the next time."""
        for effect in effects:
            self._note(words_of(effect), device=effect.device)
        if effects or progress.state.ended:
            entries, self._entries = self._entries, []
            await self._store.journal(entries)
        state = self.record.state
        if progress.state != state:
            ended = self._clock() if progress.state.ended else None
            record = replace(
                self.record, state=progress.state, ended=ended, outcomes=outcomes(progress), culprits=progress.culprits
            )
            await self._store.save_change(record)
            self.record = record

    def _perform(self, performer: Performer, progress: Progress, effects: Iterable[Effect]) -> None:
        for effect in effects:
            task = asyncio.create_task(self._perform_one(performer, progress, effect), name=words_of(effect))
            tasks = self._farewells if isinstance(effect, Forget) else self._tasks
            tasks.add(task)
            task.add_done_callback(tasks.discard)

    async def _perform_one(self, performer: Performer, progress: Progress, effect: Effect) -> None:
        event = await performer.perform(effect, progress.device(effect.device))
        if event is not None:
            self._events.put_nowait(event)

    async def _next_event(self, progress: Progress) -> Event:
        try:
            return await asyncio.wait_for(self._events.get(), max(0.0, progress.deadline - self._now()))
        except TimeoutError:
            return Elapsed(turn=progress.turn)

    @staticmethod
    def _now() -> float:
        return asyncio.get_running_loop().time()

    def _note_state(self, progress: Progress) -> None:
        reasons = "; ".join(f"{d}: {w}" if d else w for d, w in (progress.stuck or progress.culprits).items())
        self._note(progress.state.value, detail=reasons)

    def _note_event(self, progress: Progress, event: Event) -> None:
        match event:
            case Done(device=device, turn=turn) | ReadBack(device=device, turn=turn) if turn == progress.turn:
                self._note("answered", device=device)
            case Failed(device=device, why=why):
                self._note("failed", device=device, detail=why)
            case Elapsed():
                self._note("time is up", detail=", ".join(sorted(progress.waiting)))
            case Cancel(why=why):
                self._note("cancel", detail=why)

    def _note(self, what: str, *, device: str = "", detail: str = "") -> None:
        self._number += 1
        self._entries.append(
            JournalEntry(
                change=self.record.id, number=self._number, at=self._clock(), what=what, device=device, detail=detail
            )
        )


async def _end(tasks: Collection[asyncio.Task[None]], *, grace_s: float) -> None:
    """Let tasks finish within a grace, then cancel them; all are done on return."""
    if tasks and grace_s:
        await asyncio.wait(set(tasks), timeout=grace_s)
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)


def words_of(effect: Effect) -> str:
    """An effect as the journal and a person say it."""
    name = type(effect).__name__.lower()
    if isinstance(effect, Commit):
        return f"commit {effect.phase.word}"
    return {"prepare": "stage", "writeback": "write back"}.get(name, name)


def outcomes(progress: Progress) -> tuple[Outcome, ...]:
    """How the change stands for each device."""
    state = progress.state
    result = []
    for device in sorted(progress.devices):
        if device in progress.stuck:
            word, words = "needs a person", progress.stuck[device]
        elif state in {ChangeState.ROLLED_BACK, ChangeState.NEEDS_PERSON}:
            word, words = ("rolled back" if device in progress.touched else "untouched"), ""
        elif state == ChangeState.CANCELLED:
            word, words = "untouched", ""
        else:
            word, words = state.value, ""
        result.append(Outcome(device=device, word=word, words=progress.culprits.get(device, words)))
    return tuple(result)
