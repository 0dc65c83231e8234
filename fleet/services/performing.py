"""Performing the effects of a change on devices: each effect in, one event out, whatever goes wrong."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from typing import TypeVar

from fleet.drivers.protocol import Driver
from fleet.errors import BrokerDown, DeviceRefused, FleetError
from fleet.model.description import Description
from fleet.model.plan import DevicePlan, Phase, Work
from fleet.model.state import Moment, Reported
from fleet.reconcile.progress import (
    Commit,
    Done,
    Effect,
    Event,
    Failed,
    Forget,
    Keep,
    Prepare,
    Read,
    ReadBack,
    Revert,
    WriteBack,
)
from fleet.reconcile.standing import back_name, open_change

T = TypeVar("T")

PASSING = frozenset({"busy", "store_too_soon"})
"""Refusals that pass by themselves: tried again until the change's own deadline."""
BACK_ALREADY = frozenset({"reverted", "unknown_change", "aborted"})
"""Refusals of a revert that mean there is nothing left to revert."""
PAUSE_S = 0.5


class Performer:
    """Performs effects of one change for the devices of its plan."""

    def __init__(self, driver: Driver, change: str, epoch: int, descriptions: Mapping[str, Description]) -> None:
        self._driver = driver
        self._change = change
        self._epoch = epoch
        self._descriptions = descriptions

    async def perform(self, effect: Effect, plan: DevicePlan) -> Event | None:
        """Do it, and tell how it went; `None` where no answer is awaited."""
        if isinstance(effect, Forget):
            await self._forget(effect)
            return None
        try:
            return await self._do(effect, plan)
        except BrokerDown as error:
            return Failed(device=effect.device, turn=effect.turn, why=str(error), by_device=False)
        except FleetError as error:
            return Failed(device=effect.device, turn=effect.turn, why=str(error))

    async def _do(self, effect: Effect, plan: DevicePlan) -> Event:
        description = self._descriptions[effect.device]
        match effect:
            case Prepare(device=device, turn=turn):
                await self._patiently(lambda: self._prepare(description, self._change, plan.work, plan.expect))
                return Done(device=device, turn=turn)
            case Commit(device=device, turn=turn, phase=phase, expect=expect, alone_s=alone_s, after_s=after_s):
                await asyncio.sleep(after_s)
                moment = await self._commit(description, self._change, phase, expect, alone_s)
                return Done(device=device, turn=turn, moment=moment)
            case Read(device=device, turn=turn, patient=patient):
                return ReadBack(device=device, turn=turn, reported=await self._read(description, patient=patient))
            case Keep(device=device, turn=turn):
                moment = await self._patiently(lambda: self._driver.keep(description, self._change, self._epoch))
                return Done(device=device, turn=turn, moment=moment)
            case Revert(device=device, turn=turn):
                await self._revert(description, self._change)
                return Done(device=device, turn=turn)
            case WriteBack(device=device, turn=turn, alone_s=alone_s):
                moment = await self._write_back(description, plan, turn, alone_s)
                return Done(device=device, turn=turn, moment=moment)
            case Forget():
                raise AssertionError("performed above")

    async def _prepare(self, description: Description, change: str, work: Mapping[Phase, Work], expect: Moment) -> None:
        await self._driver.prepare(description, change, dict(work), expect, self._epoch)

    async def _commit(
        self, description: Description, change: str, phase: Phase, expect: Moment, alone_s: float
    ) -> Moment:
        """Commit; where the device can, it returns by itself should this daemon not come back to keep or revert."""
        timer_ms = alone_s * 1000 if self._driver.abilities(description).revert_timer else None
        return await self._driver.commit(description, change, phase, expect, self._epoch, revert_after_ms=timer_ms)

    async def _read(self, description: Description, *, patient: bool) -> Reported:
        while True:
            try:
                return await self._driver.read(description)
            except FleetError:
                if not patient:
                    raise
                await asyncio.sleep(PAUSE_S)

    async def _revert(self, description: Description, change: str) -> None:
        try:
            await self._driver.revert(description, change, self._epoch)
        except DeviceRefused as refusal:
            if refusal.code == "change_open":
                await self._revert_writing_back(description, refusal)
            elif refusal.code not in BACK_ALREADY:
                raise

    async def _revert_writing_back(self, description: Description, refusal: DeviceRefused) -> None:
        """What is open may be an earlier writing back of this change, which a stopped daemon did not finish."""
        held = open_change(self._change, await self._driver.read(description))
        if held is None:
            raise refusal
        await self._driver.revert(description, held, self._epoch)

    async def _write_back(self, description: Description, plan: DevicePlan, turn: int, alone_s: float) -> Moment:
        """Write the checkpoint as a small change of its own, since the first one may be closed on the device."""
        if plan.stages:
            await self._revert(description, self._change)
        moment = (await self._driver.read(description)).state.moment
        # Turns begin anew after a restart of the daemon; with the revision the name is not one that ended before.
        change = back_name(self._change, f"{turn}-{moment.revision}")
        try:
            await self._patiently(lambda: self._prepare(description, change, plan.undo, moment))
            for phase in sorted(plan.undo):
                moment = await self._commit(description, change, phase, moment, alone_s)
            return await self._driver.keep(description, change, self._epoch)
        except FleetError:
            if plan.stages:
                await self._revert(description, change)
            raise

    async def _forget(self, effect: Forget) -> None:
        """Until it is said or refused: what is staged dies by itself, but closes the device to others until then."""
        while True:
            try:
                await self._driver.abort(self._descriptions[effect.device], self._change, self._epoch)
            except DeviceRefused:
                return
            except FleetError:
                await asyncio.sleep(PAUSE_S)
            else:
                return

    async def _patiently(self, attempt: Callable[[], Awaitable[T]]) -> T:
        while True:
            try:
                return await attempt()
            except DeviceRefused as refusal:
                if refusal.code not in PASSING:
                    raise
                await asyncio.sleep(PAUSE_S)
