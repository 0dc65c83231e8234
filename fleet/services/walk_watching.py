"""Watching walks: one that nobody goes on with is stopped, and what a stopped daemon left under test is taken back."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import Callable, Coroutine
from dataclasses import replace
from typing import Any

from fleet.errors import FleetError
from fleet.model.change import ChangeState
from fleet.model.durations import words_of
from fleet.model.walk import Walk, WalkState
from fleet.services.walk_records import WalkRecords
from fleet.services.walk_trials import WalkTrials, culprits, not_taken_back, stuck

log = logging.getLogger(__name__)


class WalkWatching:
    """A task for each walk that is going on, until it is let go, the walk ends, or the daemon stops."""

    def __init__(self, records: WalkRecords, trials: WalkTrials, closing: asyncio.Event) -> None:
        self._records = records
        self._trials = trials
        self._closing = closing
        self._watches: dict[str, asyncio.Task[None]] = {}

    def watched(self) -> dict[str, asyncio.Task[None]]:
        """The tasks, by walk."""
        return dict(self._watches)

    def watch(self, walk: Walk) -> None:
        """Stop the walk when nobody goes on with it, or its step goes back; instead of an earlier watch of it."""
        self.let_go(walk)
        if walk.state is WalkState.WALKING and not self._closing.is_set():
            self._spawn(walk, self._watching)

    def let_go(self, walk: Walk) -> None:
        """Watch a walk no longer."""
        if watch := self._watches.pop(walk.id, None):
            watch.cancel()

    async def recover(self) -> None:
        """Take back what a stopped daemon left under test."""
        for walk in await self._records.walks():
            if walk.state is WalkState.WALKING and walk.id not in self._watches:
                log.warning("walk %s of %s was left; its step is taken back", walk.id, walk.room)
                self._spawn(walk, self._recovered)

    async def closed(self) -> None:
        """Wait until no watch is left, and stop the walks whose steps have gone back."""
        watches = self.watched()
        if watches:
            await asyncio.wait(set(watches.values()))
        for name in watches:
            walk = await self._records.walk(name)
            if walk.state is WalkState.WALKING and await self._trials.is_back(walk.now):
                await self._stopped(walk, "the daemon was stopped")

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
            record = await self._trials.rest_of(walk.now.change)
            words = not_taken_back(record) or f"{walk.at} went back: {culprits(record)}"
        else:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(walk.step_within_s):
                    await self._closing.wait()
                return
            words = f"nobody went on for {words_of(walk.step_within_s)}"
        async with self._records.lock(walk.room):
            one = await self._records.walk(walk.id)
            if one.state is WalkState.WALKING and (one.steps, one.now) == (walk.steps, walk.now):
                log.warning("walk %s of %s is stopped: %s", walk.id, walk.room, words)
                await self._stopped(one, words)

    async def _recovered(self, walk: Walk) -> None:
        async with self._records.lock(walk.room):
            if await self._records.walk(walk.id) != walk:
                return  # somebody went on with it meanwhile
            record = await self._trials.cancelled(walk.now, "the daemon, which was stopped")
            why = f": {stuck(record)}" if record is not None and record.state is ChangeState.NEEDS_PERSON else ""
            await self._stopped(walk, f"the daemon was stopped in its midst{why}")

    async def _stopped(self, walk: Walk, words: str) -> None:
        await self._records.ended(replace(walk, now=None), WalkState.STOPPED, words)
