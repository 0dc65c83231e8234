"""What is said to one device for one effect of a change: the requests it takes, one after the other."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from typing import TypeVar

from fleet.drivers.protocol import Driver
from fleet.errors import DeviceRefused, FleetError
from fleet.model.description import Description
from fleet.model.plan import DevicePlan, Phase, Work
from fleet.model.state import Moment, Reported
from fleet.reconcile.standing import back_name, open_change

T = TypeVar("T")

PASSING = frozenset({"busy", "store_too_soon"})
"""Refusals that pass by themselves: tried again until the change's own deadline."""
BACK_ALREADY = frozenset({"reverted", "unknown_change", "aborted"})
"""Refusals of a revert that mean there is nothing left to revert."""
PAUSE_S = 0.5
PATIENCE_S = 8.0
"""How long a passing refusal is waited out: less than a state may last, so that its reason is told."""


class Conversation:
    """With one device, for one change. Raises what the driver raises.

    Once it is not `wanted` any more, because the change has gone on, it says nothing further: what is on its way is
    waited for, then the task that holds it ends as if it were cancelled. A late write would otherwise come after the
    reading that proved the device to be right.
    """

    def __init__(
        self, driver: Driver, description: Description, change: str, epoch: int, wanted: Callable[[], bool]
    ) -> None:
        self._driver = driver
        self._description = description
        self._change = change
        self._epoch = epoch
        self._wanted = wanted

    async def prepare(self, work: Mapping[Phase, Work], expect: Moment, *, change: str = "") -> None:
        """Stage all work, as soon as the device is free."""
        name = change or self._change
        await self._patiently(
            lambda: self._driver.prepare(self._description, name, dict(work), expect, self._epoch),
        )

    async def commit(self, phase: Phase, expect: Moment, alone_s: float, *, change: str = "") -> Moment:
        """Commit; where the device can, it returns by itself should this daemon not come back to keep or revert."""
        timer_ms = alone_s * 1000 if self._driver.abilities(self._description).revert_timer else None
        return await self._ask(
            lambda: self._driver.commit(
                self._description, change or self._change, phase, expect, self._epoch, revert_after_ms=timer_ms
            )
        )

    async def read(self) -> Reported:
        """Read the device once."""
        return await self._ask(lambda: self._driver.read(self._description))

    async def read_patiently(self) -> Reported:
        """Read the device until it answers: it may be booting."""
        while True:
            try:
                return await self.read()
            except FleetError:
                await asyncio.sleep(PAUSE_S)

    async def keep(self, *, change: str = "") -> Moment:
        """Keep, as soon as the device is free."""
        return await self._patiently(
            lambda: self._driver.keep(self._description, change or self._change, self._epoch),
        )

    async def revert(self, *, change: str = "") -> None:
        """Let the device return, from an earlier writing back too that a stopped daemon did not finish."""
        try:
            await self._revert(change or self._change)
        except DeviceRefused as refusal:
            if refusal.code != "change_open":
                raise
            held = open_change(self._change, await self.read())
            if held is None:
                raise
            await self._revert(held)

    async def write_back(self, plan: DevicePlan, turn: int, alone_s: float) -> Moment:
        """Write the checkpoint as a small change of its own, since the first one may be closed on the device."""
        if plan.stages:
            await self.revert()
        reported = await self.read()
        if (held := open_change(self._change, reported)) is not None:
            # It remembers the change as reverted and says ok to that, whatever an earlier writing back left open.
            await self._revert(held)
            reported = await self.read()
        moment = reported.state.moment
        # Turns begin anew with each daemon, whose epoch is its own: the name is not one that ended before. The device's
        # revision would not tell them apart, since ending a writing back that was only staged does not raise it.
        change = back_name(self._change, f"{self._epoch}-{turn}")
        try:
            await self.prepare(plan.undo, moment, change=change)
            for phase in sorted(plan.undo):
                moment = await self.commit(phase, moment, alone_s, change=change)
            return await self.keep(change=change)
        except FleetError:
            if plan.stages:
                await self.revert(change=change)
            raise

    async def abort(self) -> None:
        """Drop what is staged, until that is said or refused: it closes the device to others until it dies."""
        while True:
            try:
                await self._driver.abort(self._description, self._change, self._epoch)
            except DeviceRefused:
                return
            except FleetError:
                await asyncio.sleep(PAUSE_S)
            else:
                return

    async def _revert(self, change: str) -> None:
        try:
            await self._ask(lambda: self._driver.revert(self._description, change, self._epoch))
        except DeviceRefused as refusal:
            if refusal.code not in BACK_ALREADY:
                raise

    async def _patiently(self, say: Callable[[], Awaitable[T]]) -> T:
        now = asyncio.get_running_loop().time
        until = now() + PATIENCE_S
        while True:
            try:
                return await self._ask(say)
            except DeviceRefused as refusal:
                if refusal.code not in PASSING or now() >= until:
                    raise
                await asyncio.sleep(PAUSE_S)

    async def _ask(self, say: Callable[[], Awaitable[T]]) -> T:
        if not self._wanted():
            raise asyncio.CancelledError
        return await say()
