"""A swap from the step that it is at: mute the new device, write the file, set it, unmute it last; else go back."""

from __future__ import annotations

import logging
from collections.abc import Callable, Collection
from datetime import datetime

from fleet.errors import FleetError, Refused, StoreTrouble
from fleet.model.inventory import Retirement
from fleet.model.swap import Swap, SwapState
from fleet.reconcile.slots_of_modes import not_held
from fleet.reconcile.swap_plans import members, plan_muted, plan_settings, plan_sounding
from fleet.services.editing import Editing
from fleet.services.inventory import Inventory
from fleet.services.outlook import Lookout
from fleet.services.swap_back import SwapBack
from fleet.services.swap_changes import QUIET, SwapChanges
from fleet.services.swap_progress import SwapProgress
from fleet.services.swap_prospects import Prospects

log = logging.getLogger(__name__)


class SwapForward:
    """Does what is left to do of swaps."""

    def __init__(
        self,
        *,
        progress: SwapProgress,
        steps: SwapChanges,
        back: SwapBack,
        prospects: Prospects,
        editing: Editing,
        inventory: Inventory,
        lookout: Lookout,
        clock: Callable[[], datetime],
    ) -> None:
        self._progress = progress
        self._steps = steps
        self._back = back
        self._prospects = prospects
        self._editing = editing
        self._inventory = inventory
        self._lookout = lookout
        self._clock = clock

    async def go(self, swap: Swap, allow: Collection[str] = ()) -> None:
        """Do what is left to do, from the step that the swap is at; go back where that fails."""
        try:
            if swap.state is SwapState.MUTING:
                await self._mute(swap)
                swap = await self._progress.step(swap, SwapState.WRITING)
            if swap.state is SwapState.WRITING:
                edit = await self._prospects.edit(swap.writes, swap.undoes)
                await self._editing.put(edit, who=swap.who, note=_note(swap))
                swap = await self._progress.step(swap, SwapState.SETTING)
            if swap.state is SwapState.SETTING:
                outlook = await self._lookout.look(await self._devices(swap))
                plan = plan_settings(outlook, swap.new, swap.positions, self._prospects.slots_of(swap.new))
                await self._steps.carry_out(swap, SwapState.SETTING, plan, allow)
                swap = await self._progress.step(swap, SwapState.UNMUTING)
            await self._refuse_old_one(swap)
            outlook = await self._lookout.look(await self._devices(swap))
            plan = plan_sounding(outlook, swap.new, swap.positions)
            await self._steps.carry_out(swap, SwapState.UNMUTING, plan, allow)
        except StoreTrouble:
            raise
        except FleetError as error:
            await self._back.take_back(swap, str(error).rstrip("."))
        else:
            await self.finish(swap)

    async def finish(self, swap: Swap) -> None:
        """Write down that all is done, and that the old device is retired where nothing is left to it."""
        bound = bool(self._prospects.venue().positions_of(swap.old))
        if not swap.undoes and not bound and swap.old in {record.id for record in self._inventory.records()}:
            retirement = Retirement(since=self._clock(), serial=swap.old_serial, positions=swap.places)
            await self._inventory.retire(swap.old, retirement)
        await self._inventory.retire(swap.new, None)
        words = f"{', '.join(swap.places)}: {swap.new} in place of {swap.old}{await self._left_unstored(swap)}"
        await self._progress.step(swap, SwapState.DONE, words=words)
        log.warning("swap %s is done: %s serves %s in place of %s", swap.id, swap.new, ", ".join(swap.places), swap.old)

    async def _mute(self, swap: Swap) -> None:
        """Hold the new device muted, and the old one where it answers."""
        outlook = await self._lookout.look({swap.new})
        outputs = set(outlook.reported[swap.new].state.live.outputs) if swap.new in outlook.reported else set()
        if not outputs:
            raise Refused(f"{swap.new} does not answer any more: {outlook.unreachable.get(swap.new, '')}")
        plan = plan_muted(outlook, swap.new, outputs, swap.positions)
        await self._steps.carry_out(swap, SwapState.MUTING, plan)
        if self._inventory.online(swap.old):
            outlook = await self._lookout.look({swap.old})
            if swap.old in outlook.reported:
                own = {p.output for p in outlook.venue.positions_of(swap.old) if (p.room, p.name) in swap.positions}
                await self._steps.carry_out(swap, QUIET, plan_muted(outlook, swap.old, own, swap.positions))

    async def _refuse_old_one(self, swap: Swap) -> None:
        """The old device may have come back meanwhile: both would sound."""
        if not self._inventory.online(swap.old):
            return
        reported, _ = await self._lookout.read({swap.old})
        outputs = {own["output"] for own in swap.writes.values()}
        live = reported[swap.old].state.live.outputs if swap.old in reported else {}
        if not all(live[n].mute for n in outputs if n in live):
            raise Refused(
                f"{swap.old} came back in the middle of the swap and is not muted: both would sound",
                remedy="If it is sound, leave it. If not, switch it off, or swap again: it is muted first then.",
            )

    async def _left_unstored(self, swap: Swap) -> str:
        """The slots of modes that the new device could not be given, and how they are stored; else nothing."""
        reported = self._inventory.reported(swap.new)
        record = await self._steps.of_step(swap, SwapState.SETTING)
        stored = {
            contents.slot
            for plan in (record.plan.devices if record is not None else ())
            for contents in plan.after.stored
            if plan.device == swap.new
        }
        slots = not_held(self._prospects.slots_of(swap.new), reported) if reported is not None else ()
        left = [one for one in slots if one.contents.slot not in stored]
        if not left:
            return ""
        ways = (
            f"slot {one.contents.slot} (`fleet recall {one.room} --mode {one.mode}`, then `fleet store {one.room}`)"
            for one in left
        )
        return f". It stores only what is live, and so still lacks {', '.join(ways)}"

    async def _devices(self, swap: Swap) -> set[str]:
        outlook = await self._lookout.look({swap.new})
        return {swap.new, *(p.device for p in members(outlook, swap.positions))}


def _note(swap: Swap) -> str:
    until = next((own["stands_in"]["until"] for own in swap.writes.values() if own.get("stands_in")), "")
    lasting = f", which may stand in until {until}" if until else ""
    return f"swap {swap.id}: {', '.join(swap.places)} from {swap.old} to {swap.new}{lasting}"
