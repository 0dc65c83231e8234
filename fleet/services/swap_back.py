"""A swap taken back: its files, then its changes; what cannot be taken back is told to the person who sees to it."""

from __future__ import annotations

import logging

from fleet.errors import FleetError, StoreTrouble
from fleet.model.change import ChangeState
from fleet.model.swap import Swap, SwapState
from fleet.services.editing import Editing, Files
from fleet.services.inventory import Inventory
from fleet.services.swap_changes import SwapChanges
from fleet.services.swap_files import restored
from fleet.services.swap_progress import SwapProgress
from fleet.services.swap_prospects import Prospects

log = logging.getLogger(__name__)


class SwapBack:
    """Takes swaps back."""

    def __init__(
        self,
        *,
        progress: SwapProgress,
        steps: SwapChanges,
        prospects: Prospects,
        editing: Editing,
        inventory: Inventory,
    ) -> None:
        self._progress = progress
        self._steps = steps
        self._prospects = prospects
        self._editing = editing
        self._inventory = inventory

    async def take_back(self, swap: Swap, why: str) -> None:
        """Take back what was done: files first, since the ceilings of a place are none of a device without one."""
        swap = await self._progress.step(swap, SwapState.GOING_BACK, words=why)
        try:
            await self._take_files_back(swap)
            await self._steps.roll_back(swap)
        except StoreTrouble:
            raise
        except FleetError as error:
            words = f"{why}. It could not all be taken back: {str(error).rstrip('.')}. {self._standing(swap)}"
            await self._progress.step(swap, SwapState.NEEDS_PERSON, words=words)
            log.error("swap %s needs a person: %s", swap.id, words)  # noqa: TRY400  # it is for people
        else:
            words = f"{why}. {await self._slots_kept(swap) or 'All is as it was before the swap.'}"
            await self._progress.step(swap, SwapState.TAKEN_BACK, words=words)
            log.warning("swap %s is taken back: %s", swap.id, why)

    async def _take_files_back(self, swap: Swap) -> None:
        venue = self._prospects.venue()
        places = {(p.room, p.name) for p in venue.positions_of(swap.new)}
        if not places & set(swap.positions):
            return
        before = await self._prospects.files_before(swap)
        made = (await self._prospects.edit(swap.writes, swap.undoes))(before)

        def edit(files: Files) -> Files:
            return restored(files, before, swap.writes, made)

        await self._editing.put(edit, who=swap.who, note=f"swap {swap.id} taken back")

    async def _slots_kept(self, swap: Swap) -> str:
        """Slots that keep what was stored, since what they held could not be read; empty where there are none."""
        record = await self._steps.of_step(swap, SwapState.SETTING)
        if record is None or record.state is not ChangeState.KEPT:
            return ""
        lost = [
            f"slot {contents.slot} of {plan.device}"
            for plan in record.plan.devices
            for contents in plan.after.stored
            if contents.slot not in {before.slot for before in plan.before.stored}
        ]
        if not lost:
            return ""
        return f"All is as it was before the swap but {', '.join(lost)}: what it held could not be read."

    def _standing(self, swap: Swap) -> str:
        """How the devices and the files stand, for whoever has to see to it."""
        venue = self._prospects.venue()
        serving = sorted({p.device for p in venue.positions() if (p.room, p.name) in swap.positions})
        last = self._inventory.reported(swap.new)
        if last is None or not self._inventory.online(swap.new):
            how = "does not answer"
        else:
            how = "is muted" if all(o.mute for o in last.state.live.outputs.values()) else "is not muted"
        return f"Now the files name {', '.join(serving)} for {', '.join(swap.places)}; {swap.new} {how}."
