"""Swaps: hold the new device muted, write the file, give it its settings, unmute it last; where that fails, go back.

Each step is written down before it is done, and each change has an id that is known beforehand. So a daemon that was
killed in the middle finds out how far it came: what was set and stored is finished, anything less is taken back.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import Callable, Coroutine
from datetime import datetime
from functools import partial
from typing import Any

from fleet.errors import FleetError, Moved, Refused
from fleet.model.change import ChangeState
from fleet.model.swap import Swap, SwapState
from fleet.services.changes import Changes
from fleet.services.editing import Editing
from fleet.services.inventory import Inventory
from fleet.services.outlook import Lookout
from fleet.services.swap_asked import AskedSwap, Prospect, refuse_losses
from fleet.services.swap_back import SwapBack
from fleet.services.swap_changes import SwapChanges
from fleet.services.swap_forward import SwapForward
from fleet.services.swap_progress import Stopped, SwapProgress
from fleet.services.swap_prospects import Prospects
from fleet.store.protocol import Store

log = logging.getLogger(__name__)

SEEN_WITHIN_S = 30.0
PAUSE_S = 0.1


class Swapping:
    """Carries out swaps, one at a time on each device."""

    def __init__(
        self,
        *,
        store: Store,
        inventory: Inventory,
        editing: Editing,
        lookout: Lookout,
        changes: Changes,
        prospects: Prospects,
        clock: Callable[[], datetime],
        new_id: Callable[[], str],
    ) -> None:
        self._inventory = inventory
        self._prospects = prospects
        self._clock = clock
        self._new_id = new_id
        self._progress = SwapProgress(store, clock)
        self._steps = SwapChanges(store, changes, self._progress)
        self._back = SwapBack(
            progress=self._progress, steps=self._steps, prospects=prospects, editing=editing, inventory=inventory
        )
        self._forward = SwapForward(
            progress=self._progress,
            steps=self._steps,
            back=self._back,
            prospects=prospects,
            editing=editing,
            inventory=inventory,
            lookout=lookout,
            clock=clock,
        )
        self._tasks: dict[str, asyncio.Task[None]] = {}

    async def plan(self, asked: AskedSwap) -> Prospect:
        """What a swap would do. Raises what `Prospects.work_out` raises."""
        return await self._prospects.work_out(asked)

    async def begin(self, asked: AskedSwap, *, digest: str, who: str, why: str) -> Swap:
        """Begin the swap whose prospect was shown with this digest; it goes on by itself.

        Raises as `plan` does, `Moved` where it would be another one by now, `Refused` for a lesser device that was not
        asked for as such, and where another swap holds one of the devices.
        """
        prospect = await self.plan(asked)
        if prospect.digest != digest:
            raise Moved("desired or reported state moved since the swap was shown", remedy="Look at it again.")
        refuse_losses(prospect, asked)
        if self._progress.stopping:
            raise Refused("the daemon is stopping")
        for other in self._progress.running.values():
            if {prospect.old, prospect.new} & {other.old, other.new}:
                raise Refused(f"swap {other.id} of {other.who} holds it ({other.state})", remedy="Wait until it ends.")
        swap = Swap(
            id=self._new_id(),
            positions=prospect.positions,
            old=prospect.old,
            old_serial=prospect.old_serial,
            new=prospect.new,
            new_serial=prospect.new_serial,
            who=who,
            why=why,
            began=self._clock(),
            version_before=prospect.version,
            writes=prospect.writes,
            undoes=prospect.undoes,
        )
        await self._progress.begun(swap)
        self._spawn(swap, partial(self._forward.go, swap, asked.allow))
        return swap

    async def swaps(self) -> tuple[Swap, ...]:
        """All swaps, last begun first."""
        return await self._progress.swaps()

    async def wait(self, swap: str, timeout_s: float) -> Swap:
        """A swap, when it has ended or `timeout_s` seconds have passed. Raises `NotFound`."""
        if (task := self._tasks.get(swap)) is not None:
            await asyncio.wait({task}, timeout=timeout_s)
        return await self._progress.swap(swap)

    async def recover(self) -> None:
        """Take up swaps that a stopped daemon left unfinished. To be called once changes are being recovered."""
        for swap in reversed(await self.swaps()):
            if not swap.state.ended and swap.id not in self._progress.running:
                log.warning("swap %s of %s for %s was left %s", swap.id, swap.old, swap.new, swap.state)
                self._progress.taken_up(swap)
                self._spawn(swap, partial(self._resume, swap))

    def close(self) -> None:
        """Stop: no further step is begun. To be called before changes are closed, and `closed` after it."""
        self._progress.stop()

    async def closed(self) -> None:
        """Wait until the last steps have ended."""
        if self._tasks:
            await asyncio.wait(set(self._tasks.values()))

    def _spawn(self, swap: Swap, work: Callable[[], Coroutine[Any, Any, None]]) -> None:
        self._tasks[swap.id] = asyncio.create_task(self._carry_out(swap.id, work), name=f"swap {swap.id}")

    async def _carry_out(self, swap: str, work: Callable[[], Coroutine[Any, Any, None]]) -> None:
        try:
            await work()
        except Stopped:
            log.warning("swap %s is left %s; the next start takes it up", swap, self._progress.running[swap].state)
        except FleetError as error:
            log.error("swap %s stopped: %s", swap, error)  # noqa: TRY400  # it is for people
        except Exception:
            log.exception("swap %s stopped", swap)
        finally:
            self._progress.dropped(swap)
            self._tasks.pop(swap, None)

    async def _resume(self, swap: Swap) -> None:
        """Finish what was set and stored already; take anything less back."""
        await self._steps.all_ended(swap)
        await self._seen(swap.new)
        if swap.state is SwapState.GOING_BACK:
            await self._back.take_back(swap, swap.words)
            return
        setting = await self._steps.of_step(swap, SwapState.SETTING)
        unmuting = await self._steps.of_step(swap, SwapState.UNMUTING)
        if swap.state is SwapState.SETTING and setting is not None and setting.state is ChangeState.KEPT:
            swap = await self._progress.step(swap, SwapState.UNMUTING)
        if unmuting is not None and unmuting.state is ChangeState.KEPT:
            await self._forward.finish(swap)
        elif swap.state is SwapState.UNMUTING and unmuting is None:
            await self._forward.go(swap)
        else:
            await self._back.take_back(swap, "the daemon stopped in the middle of it")

    async def _seen(self, device: str) -> None:
        """Wait a while for a device that has not told yet that it is alive."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(SEEN_WITHIN_S):
                while not self._inventory.online(device):
                    self._progress.go_on()
                    await asyncio.sleep(PAUSE_S)
