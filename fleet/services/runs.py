"""Changes that have not ended: each holds its devices, and one that stops unexpectedly is taken up again."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import Callable, Collection, Coroutine
from datetime import datetime
from typing import Any

from fleet.drivers.protocol import Driver
from fleet.errors import FleetError, Refused
from fleet.model.change import ChangeRecord, ChangeState
from fleet.model.state import State
from fleet.reconcile.progress import Limits
from fleet.services.change_refusals import held
from fleet.services.inventory import Inventory
from fleet.services.performing import Performer
from fleet.services.running import Run
from fleet.store.protocol import Store

log = logging.getLogger(__name__)

AGAIN_AFTER_S = 5.0
MAKES_WAY_WITHIN_S = 20.0


class Runs:
    """Carries changes out, one at a time on each device. `moved` is told each record once that is durable."""

    def __init__(
        self,
        *,
        store: Store,
        driver: Driver,
        inventory: Inventory,
        clock: Callable[[], datetime],
        limits: Limits,
        moved: Callable[[ChangeRecord], None],
    ) -> None:
        self._store = store
        self._driver = driver
        self._inventory = inventory
        self._clock = clock
        self._limits = limits
        self._moved = moved
        self._runs: dict[str, Run] = {}
        self._tasks: set[asyncio.Task[None]] = set()
        self._closing = asyncio.Event()
        inventory.listen(self._heard)

    def devices(self) -> frozenset[str]:
        """Devices that a change holds now."""
        return frozenset(device for run in self._runs.values() for device in run.devices)

    def records(self) -> tuple[ChangeRecord, ...]:
        """Changes that have not ended, first begun first."""
        return tuple(run.record for run in self._runs.values())

    def get(self, change: str) -> Run | None:
        """The run of a change, where it has not ended."""
        return self._runs.get(change)

    def check_open(self) -> None:
        """Raise `Refused` where no change is begun any more."""
        if self._closing.is_set():
            raise Refused("the daemon is stopping")

    def check_free(self, devices: Collection[str]) -> None:
        """Raise `Refused` where a change that has not ended holds one of these devices."""
        for run in self._runs.values():
            if common := run.devices & set(devices):
                raise held(run.record, common)

    async def make_way(self, devices: Collection[str], why: str) -> tuple[ChangeRecord, ...]:
        """Cancel the changes that hold some of these devices, and wait until they have ended, at most so long."""
        runs = [run for run in self._runs.values() if run.devices & set(devices)]
        for run in runs:
            run.cancel(why)
        names = {_task_name(run.record.id) for run in runs}
        if tasks := {task for task in self._tasks if task.get_name() in names}:
            await asyncio.wait(tasks, timeout=MAKES_WAY_WITHIN_S)
        return tuple(run.record for run in runs)

    async def begin(self, record: ChangeRecord) -> None:
        """Carry a change out from its beginning. When this returns, intent and checkpoint are durable."""
        run = self._take_up(record)
        try:
            await self._store.begin_change(record)
        except BaseException:
            del self._runs[record.id]
            raise
        self._moved(record)
        self._spawn(record.id, run.begin())

    def recover(self, record: ChangeRecord) -> None:
        """Take up what a stopped daemon left unfinished."""
        if record.id not in self._runs:
            log.warning("change %s was left %s; its devices are read", record.id, record.state)
            self._spawn(record.id, self._resume(self._take_up(record)))

    async def close(self) -> None:
        """Stop: every change is cancelled and waited for."""
        self._closing.set()
        for run in list(self._runs.values()):
            run.cancel("the daemon stops")
        if self._tasks:
            await asyncio.wait(self._tasks)

    def _heard(self, state: State) -> None:
        """A device told its state: the change that holds it wants to know."""
        for run in self._runs.values():
            if state.id in run.devices:
                run.heard(state)

    def _take_up(self, record: ChangeRecord) -> Run:
        """A run of this change, which holds its devices from here on."""
        self._runs[record.id] = Run(
            record=record,
            store=self._store,
            performer=lambda epoch: Performer(
                self._driver, record.id, epoch, self._inventory.descriptions(), took=self._inventory.take
            ),
            clock=self._clock,
            limits=self._limits,
            moved=self._moved,
        )
        return self._runs[record.id]

    def _spawn(self, change: str, work: Coroutine[Any, Any, None]) -> None:
        task = asyncio.create_task(self._carry_out(change, work), name=_task_name(change))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _carry_out(self, change: str, work: Coroutine[Any, Any, None]) -> None:
        """Do the work; what stops unexpectedly (a full disk) holds its devices, and is taken up when that works."""
        try:
            while not await self._done(change, work):  # it is taken up again
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(AGAIN_AFTER_S):
                        await self._closing.wait()
                    return
                work = self._take_up_again(change)
            ended = self._runs[change].record
            needs_person = ended.state is ChangeState.NEEDS_PERSON
            stuck = ", ".join(o.device for o in ended.outcomes if o.word == "needs a person")
            log.log(
                logging.ERROR if needs_person else logging.INFO,
                "change %s (%s %s) by %s: %s%s",
                *(change, ended.plan.kind, ended.plan.scope, ended.who, ended.state),
                f": {stuck}" if stuck else "",
            )
        finally:
            self._runs.pop(change, None)

    @staticmethod
    async def _done(change: str, work: Coroutine[Any, Any, None]) -> bool:
        try:
            await work
        except Exception as error:
            unknown = not isinstance(error, FleetError)
            log.error("change %s stopped, and will be taken up again: %s", change, error, exc_info=unknown)  # noqa: TRY400
            return False
        return True

    async def _take_up_again(self, change: str) -> None:
        """By what is stored, not by what this daemon last knew: only the former says where the change was left."""
        record = await self._store.change(change)
        assert record is not None
        await self._resume(self._take_up(record))

    async def _resume(self, run: Run) -> None:
        entries = await self._store.entries(run.record.id)
        started = run.record.state != ChangeState.PLANNED
        await (run.resume(entries) if started else run.drop(entries))


def _task_name(change: str) -> str:
    return f"change {change}"
