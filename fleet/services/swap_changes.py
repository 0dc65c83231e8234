"""The changes of a swap, one a step: begun under an id that is known beforehand, waited for, rolled back."""

from __future__ import annotations

from collections.abc import Collection

from fleet.errors import Refused
from fleet.model.change import ChangeRecord, ChangeState
from fleet.model.plan import Plan
from fleet.model.swap import Swap, SwapState
from fleet.services.changes import Changes
from fleet.services.planning import Asked
from fleet.services.swap_progress import SwapProgress
from fleet.store.protocol import Store

OWN_GUARDS = frozenset({"guest", "half-room", "many-devices"})
"""Lifted by a swap itself: it is about one device, however many its room has and whoever is its guest."""
QUIET = "quiet"
"""The step that mutes the old device, where it still answers."""
STEPS = (SwapState.MUTING, QUIET, SwapState.SETTING, SwapState.UNMUTING)
"""Steps with a change, in their order."""


class SwapChanges:
    """Changes of swaps. Each method raises `Stopped` once the daemon stops."""

    def __init__(self, store: Store, changes: Changes, progress: SwapProgress) -> None:
        self._store = store
        self._changes = changes
        self._progress = progress

    async def of_step(self, swap: Swap, step: str) -> ChangeRecord | None:
        """A step's change as it stands, where it was begun."""
        return await self._store.change(_change_id(swap, step))

    async def all_ended(self, swap: Swap) -> None:
        """Wait until every change that was begun has ended."""
        for step in STEPS:
            if await self.of_step(swap, step) is not None:
                await self._end_of(_change_id(swap, step))

    async def carry_out(self, swap: Swap, step: str, plan: Plan, allow: Collection[str] = ()) -> None:
        """A step's change, to its end. What is about the new device alone was asked for by asking for the swap.

        Raises `Refused` where it is not kept.
        """
        own = {hit.guard for hit in plan.guards if hit.may_allow and hit.device == swap.new}
        others = {hit.guard for hit in plan.guards if hit.device != swap.new} - OWN_GUARDS
        lifted = (own - others) | (OWN_GUARDS & {hit.guard for hit in plan.guards if hit.may_allow})
        await self._carry(swap, _change_id(swap, step), plan, lifted | set(allow))

    async def roll_back(self, swap: Swap) -> None:
        """Roll back every change that was done and is not rolled back already, the last one first.

        Raises `Refused` where that fails.
        """
        for step in (SwapState.UNMUTING, SwapState.SETTING, SwapState.MUTING, QUIET):
            await self._roll_back(swap, _change_id(swap, step))

    async def _roll_back(self, swap: Swap, change: str) -> None:
        if await self._store.change(change) is None:
            return
        record = await self._end_of(change)
        if record.state not in (ChangeState.KEPT, ChangeState.NEEDS_PERSON):
            return
        number = 1
        while await self._store.change(f"{change}-back-{number}") is not None:
            if (await self._end_of(f"{change}-back-{number}")).state is ChangeState.KEPT:
                return
            number += 1
        plan = await self._changes.plan(Asked(kind="rollback", change=change))
        allow = {hit.guard for hit in plan.guards if hit.may_allow}
        await self._carry(swap, f"{change}-back-{number}", plan, allow)

    async def _carry(self, swap: Swap, change: str, plan: Plan, allow: Collection[str]) -> None:
        self._progress.go_on()
        if plan.empty():
            return
        await self._changes.begin(plan, who=swap.who, why=f"swap {swap.id}", allow=allow, change=change)
        record = await self._end_of(change)
        if record.state is not ChangeState.KEPT:
            self._progress.go_on()
            reasons = "; ".join(why for why in record.culprits.values() if why)
            raise Refused(f"{plan.scope}: {record.state}{': ' if reasons else ''}{reasons} (change {change})")

    async def _end_of(self, change: str) -> ChangeRecord:
        while not (record := await self._changes.wait(change, 60)).state.ended:
            self._progress.go_on()
        return record


def _change_id(swap: Swap, step: str) -> str:
    return f"{swap.id}-{step}"
