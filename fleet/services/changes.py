"""Changes: plan afresh, refuse what a guard refuses, then let it be carried out; and what became of each."""

from __future__ import annotations

import itertools
import logging
from collections.abc import Callable, Collection
from dataclasses import replace
from datetime import datetime

from fleet.drivers.protocol import Driver
from fleet.errors import NotFound, Refused
from fleet.model.change import ChangeRecord, ChangeState, JournalEntry
from fleet.model.names import shown
from fleet.model.plan import Plan, check_guard_names
from fleet.reconcile.guards import unlifted
from fleet.reconcile.modes import check_not_left
from fleet.reconcile.progress import Limits
from fleet.reconcile.rollback import plan_rollback
from fleet.reconcile.sealing import sealed
from fleet.services.change_refusals import check_trial, moved_since_shown, refusal
from fleet.services.desired import Desired
from fleet.services.inventory import Inventory
from fleet.services.outlook import Lookout
from fleet.services.planning import Asked, Planning
from fleet.services.running import Run
from fleet.services.runs import Runs
from fleet.store.protocol import Store

log = logging.getLogger(__name__)

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
        self._desired = desired
        self._lookout = lookout
        self._clock = clock
        self._new_id = new_id
        self._planning = Planning(store, driver, inventory, desired, lookout, clock)
        self._runs = Runs(
            store=store,
            driver=driver,
            inventory=inventory,
            clock=clock,
            limits=limits or Limits(),
            moved=self._moved,
        )
        self._listeners: list[Callable[[ChangeRecord], None]] = [desired.changed]

    def listen(self, listener: Callable[[ChangeRecord], None]) -> None:
        """Tell `listener` of each change that begins or moves on, once that is durable."""
        self._listeners.append(listener)

    def devices_in_change(self) -> frozenset[str]:
        """Devices that a change holds now."""
        return self._runs.devices()

    def check_free(self, devices: Collection[str]) -> None:
        """Raise `Refused`, with the way out, where a change that has not ended holds one of these devices."""
        self._runs.check_free(devices)

    def in_progress(self, room: str) -> tuple[ChangeRecord, ...]:
        """Changes of a room that have not ended, first begun first."""
        return tuple(record for record in self._runs.records() if room in record.plan.rooms)

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
        of the devices; a mute cancels that one instead. When this returns, intent and checkpoint are durable.
        """
        self._runs.check_open()
        check_guard_names(allow)
        if keep_within_s is not None:
            check_trial(asked.kind, keep_within_s)
        plan = await self.plan(asked)
        if plan.digest != digest:
            raise moved_since_shown()
        if asked.kind == "mute":
            plan = await self._with_way_made(asked, plan, who)
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
        self._runs.check_open()
        if hits := unlifted(plan.guards, allow):
            raise refusal(hits)
        self.check_free({p.device for p in plan.devices})
        record = ChangeRecord(
            id=change or self._new_id(), plan=plan, who=who, why=why, started=self._clock(), keep_within_s=keep_within_s
        )
        await self._runs.begin(record)
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
            found += [run.record if (run := self._runs.get(r.id)) else r for r in stored if wanted(r)]
            before = stored[-1].id
        return tuple(found[:limit])

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
        if not run.on_trial:
            raise Refused(
                f"change {change} was stopped in the midst of its trial, and its devices are read",
                remedy="Try again in a moment.",
            )
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
            self._runs.recover(record)

    async def close(self) -> None:
        """Stop: every running change is cancelled and waited for."""
        await self._runs.close()

    async def _with_way_made(self, asked: Asked, plan: Plan, who: str) -> Plan:
        """The plan once no change holds a device of it. Silence waits for nobody's trial, and for no step of a walk."""
        cancelled = await self._runs.make_way({p.device for p in plan.devices}, f"cancelled by {who}, who mutes")
        if not cancelled:
            return plan
        plan = await self.plan(asked)
        told = (f"change {c.id} of {c.who} ({c.plan.scope}) was cancelled for it: {c.state}" for c in cancelled)
        return sealed(replace(plan, afterwards=(*plan.afterwards, *told)))

    async def _later(self, record: ChangeRecord) -> tuple[ChangeRecord, ...]:
        """Changes kept since that wrote to a device of this one, first begun first."""
        devices = {p.device for p in record.plan.devices}
        newer = itertools.takewhile(lambda r: r.id != record.id, await self._store.changes(MOST_LATER))
        kept = [r for r in newer if r.state is ChangeState.KEPT and devices & {p.device for p in r.plan.devices}]
        return tuple(reversed(kept))

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
