"""Changes: plan afresh, refuse what a guard refuses, then carry the change out by the state machine, journal first."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import logging
from collections.abc import Callable, Collection, Coroutine
from datetime import datetime
from typing import Any

from fleet.drivers.protocol import Driver
from fleet.errors import BadInput, FleetError, Moved, NotFound, Refused
from fleet.model.change import ChangeRecord, ChangeState, JournalEntry, check_trial_length
from fleet.model.names import shown
from fleet.model.plan import GuardHit, Plan, check_guard_names
from fleet.model.state import State
from fleet.reconcile.guards import unlifted
from fleet.reconcile.modes import check_not_left
from fleet.reconcile.progress import Limits
from fleet.reconcile.rollback import plan_rollback
from fleet.services.desired import Desired
from fleet.services.inventory import Inventory
from fleet.services.outlook import Lookout
from fleet.services.performing import Performer
from fleet.services.planning import Asked, Planning
from fleet.services.running import Run
from fleet.store.protocol import Store

log = logging.getLogger(__name__)

AGAIN_AFTER_S = 5.0
MOST_LATER = 200
"""Changes that are looked through for later ones on the same devices."""


class Changes:
    """Plans and carries out changes, one at a time on each device."""

    def __init__(
        self,
        *,
        store: Store,
        driver: Driver,
        inventory: Inventory,
        desired: Desired,
        lookout: Lookout,
        clock: Callable[[], datetime],
        new_id: Callable[[], str],
        limits: Limits | None = None,
    ) -> None:
        self._store = store
        self._driver = driver
        self._inventory = inventory
        self._desired = desired
        self._lookout = lookout
        self._clock = clock
        self._new_id = new_id
        self._limits = limits or Limits()
        self._planning = Planning(store, driver, inventory, desired, lookout, clock)
        self._runs: dict[str, Run] = {}
        self._tasks: set[asyncio.Task[None]] = set()
        self._closing = asyncio.Event()
        self._listeners: list[Callable[[ChangeRecord], None]] = [desired.changed]
        inventory.listen(self._heard)

    def listen(self, listener: Callable[[ChangeRecord], None]) -> None:
        """Tell `listener` of each change that begins or moves on, once that is durable."""
        self._listeners.append(listener)

    def devices_in_change(self) -> frozenset[str]:
        """Devices that a change holds now."""
        return frozenset(device for run in self._runs.values() for device in run.devices)

    def in_progress(self, room: str) -> tuple[ChangeRecord, ...]:
        """Changes of a room that have not ended, first begun first."""
        return tuple(run.record for run in self._runs.values() if room in run.record.plan.rooms)

    async def plan(self, asked: Asked) -> Plan:
        """What would be done now, from freshly read devices. Raises `NotFound` and `Refused`."""
        if asked.kind == "rollback":
            record = await self.record(asked.change)
            before = record.plan.was.modes
            check_not_left(self._desired.venue(), before)
            outlook = await self._lookout.look({p.device for p in record.plan.devices}, before)
            return plan_rollback(outlook, record, await self._later(record))
        return await self._planning.plan(asked)

    async def start(
        self,
        asked: Asked,
        *,
        digest: str,
        who: str,
        why: str,
        allow: Collection[str] = (),
        keep_within_s: float | None = None,
    ) -> ChangeRecord:
        """Begin the change whose plan was shown with this digest; it goes on by itself.

        With `keep_within_s` it is on trial for so long once it is verified, and returns unless it is kept. Raises
        `Moved` where the plan would be another one by now, `Refused` where a guard stands or another change holds one
        of the devices. When this returns, intent and checkpoint are durable.
        """
        if self._closing.is_set():
            raise Refused("the daemon is stopping")
        check_guard_names(allow)
        if keep_within_s is not None:
            _check_trial(asked, keep_within_s)
        plan = await self.plan(asked)
        if plan.digest != digest:
            raise moved_since_shown()
        return await self.begin(plan, who=who, why=why, allow=allow, keep_within_s=keep_within_s)

    async def begin(
        self,
        plan: Plan,
        *,
        who: str,
        why: str,
        allow: Collection[str] = (),
        keep_within_s: float | None = None,
        change: str = "",
    ) -> ChangeRecord:
        """Begin a change by a plan that was made just now, under this id or a new one. See `start`."""
        if self._closing.is_set():
            raise Refused("the daemon is stopping")
        if hits := unlifted(plan.guards, allow):
            raise refusal(hits)
        self._hold(plan)
        record = ChangeRecord(
            id=change or self._new_id(), plan=plan, who=who, why=why, started=self._clock(), keep_within_s=keep_within_s
        )
        run = self._take_up(record)
        try:
            await self._store.begin_change(record)
        except BaseException:
            del self._runs[record.id]
            raise
        self._moved(record)
        self._spawn(record.id, run.begin())
        return record

    async def record(self, change: str) -> ChangeRecord:
        """A change by its id. Raises `NotFound`."""
        run = self._runs.get(change)
        record = run.record if run is not None else await self._store.change(change)
        if record is None:
            raise NotFound(f"no change {shown(change)!r}", remedy="`fleet changes` lists them.")
        return record

    async def records(
        self, limit: int = 50, *, before: str = "", wanted: Callable[[ChangeRecord], bool] = lambda _: True
    ) -> tuple[ChangeRecord, ...]:
        """Changes that are `wanted`, newest first, of those begun before one; running ones as they stand now."""
        found: list[ChangeRecord] = []
        while len(found) < limit and (stored := await self._store.changes(limit, before=before)):
            found += [self._runs[r.id].record if r.id in self._runs else r for r in stored if wanted(r)]
            before = stored[-1].id
        return tuple(found[:limit])

    async def _later(self, record: ChangeRecord) -> tuple[ChangeRecord, ...]:
        """Changes kept since that wrote to a device of this one, first begun first."""
        devices = {p.device for p in record.plan.devices}
        newer = itertools.takewhile(lambda r: r.id != record.id, await self._store.changes(MOST_LATER))
        kept = [r for r in newer if r.state is ChangeState.KEPT and devices & {p.device for p in r.plan.devices}]
        return tuple(reversed(kept))

    async def damaged(self) -> tuple[str, ...]:
        """What is wrong with stored changes that are not what was written, in words, one each."""
        return await self._store.damaged()

    async def story(self, change: str) -> tuple[JournalEntry, ...]:
        """The journal of a change, in order."""
        await self.record(change)
        return await self._store.entries(change)

    async def cancel(self, change: str, who: str) -> None:
        """Stop a running change: what was touched goes back. Raises `NotFound`, or `Refused` where it has ended."""
        (await self._running(change)).cancel(f"cancelled by {who}")

    async def keep(self, change: str) -> None:
        """Keep a change on trial. Raises `NotFound`, or `Refused` where it is not on trial (any more) or never kept."""
        run = await self._running(change)
        if run.record.plan.kind == "walk":
            raise Refused(f"change {change} is a step of a walk, which always goes back")
        if run.record.state is not ChangeState.ON_TRIAL:
            raise Refused(f"change {change} is not on trial: {run.record.state}")
        await run.accept()
        if run.record.state is ChangeState.ON_TRIAL:
            raise Refused(f"the keep of change {change} could not be written down", remedy="`fleet log` says why.")

    async def wait(self, change: str, timeout_s: float, *, or_trial: bool = False) -> ChangeRecord:
        """The change, when it has ended (or is on trial, where that will do) or `timeout_s` seconds have passed."""
        run = self._runs.get(change)
        if run is not None:
            await run.wait(timeout_s, or_trial=or_trial)
        return await self.record(change)

    async def recover(self) -> None:
        """Take up what a stopped daemon left unfinished: its devices are read, then it is finished or taken back."""
        for words in await self.damaged():
            log.error("%s", words)
        for record in await self._store.unfinished():
            if record.id not in self._runs:
                log.warning("change %s was left %s; its devices are read", record.id, record.state)
                self._spawn(record.id, self._resume(self._take_up(record)))

    async def close(self) -> None:
        """Stop: every running change is cancelled and waited for."""
        self._closing.set()
        for run in list(self._runs.values()):
            run.cancel("the daemon stops")
        if self._tasks:
            await asyncio.wait(self._tasks)

    def _hold(self, plan: Plan) -> None:
        wanted = {p.device for p in plan.devices}
        for run in self._runs.values():
            if held := sorted(wanted & run.devices):
                record = run.record
                raise Refused(
                    f"change {record.id} of {record.who} ({record.plan.scope}, {record.state}) holds {', '.join(held)}",
                    remedy=f"Keep or cancel {record.id} first."
                    if record.state is ChangeState.ON_TRIAL
                    else "Wait until it has ended.",
                )

    async def _running(self, change: str) -> Run:
        """The run of a change that has not ended."""
        record = await self.record(change)
        if record.state.ended:
            undo = f"`fleet rollback {change}` undoes it." if record.state is ChangeState.KEPT else ""
            raise Refused(f"change {change} has ended: {record.state}", remedy=undo)
        run = self._runs.get(change)
        if run is None or run.stopped:
            raise Refused(
                f"change {change} was left {record.state} and has not been taken up again yet",
                remedy="Try again in a moment.",
            )
        return run

    def _moved(self, record: ChangeRecord) -> None:
        for listener in self._listeners:
            listener(record)

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
        task = asyncio.create_task(self._carry_out(change, work), name=f"change {change}")
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


def _check_trial(asked: Asked, keep_within_s: float) -> None:
    if asked.kind == "store":
        raise BadInput("a store cannot be on trial: it changes nothing that sounds", where="--keep-within")
    if asked.kind in ("mute", "unmute"):
        raise BadInput("a mute cannot be on trial: `fleet unmute` takes it back", where="--keep-within")
    check_trial_length(keep_within_s)


def refusal(hits: Collection[GuardHit]) -> Refused:
    """A refusal that names every guard that stands, and how to lift them where all of them may be lifted."""
    names = tuple(dict.fromkeys(h.guard for h in hits))
    lift = " ".join(f"--allow {name}" for name in names) if all(h.may_allow for h in hits) else ""
    words = "; ".join(f"{h.guard}: {h.words}" for h in hits)
    return Refused(words, guards=names, remedy=f"If that is meant: {lift}." if lift else "")


def moved_since_shown() -> Moved:
    """The refusal of a change whose plan would be another one by now."""
    return Moved("desired or reported state moved since the plan was shown", remedy="Look at the new plan.")
