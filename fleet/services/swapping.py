"""Swaps: hold the new device muted, write the file, give it its settings, unmute it last; where that fails, go back.

Each step is written down before it is done, and each change has an id that is known beforehand. So a daemon that was
killed in the middle finds out how far it came: what was set and stored is finished, anything less is taken back.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import Callable, Collection
from dataclasses import replace
from datetime import datetime

from fleet.errors import FleetError, Moved, NotFound, Refused, StoreTrouble
from fleet.model.change import ChangeRecord, ChangeState
from fleet.model.inventory import Retirement
from fleet.model.names import shown
from fleet.model.plan import Plan
from fleet.model.swap import Swap, SwapState
from fleet.reconcile.swap_plans import members, plan_muted, plan_settings, plan_sounding
from fleet.services.changes import Asked, Changes
from fleet.services.editing import Editing, Files
from fleet.services.inventory import Inventory
from fleet.services.outlook import Lookout
from fleet.services.swap_files import restored
from fleet.services.swap_prospects import AskedSwap, Prospect, Prospects, refuse_losses
from fleet.store.protocol import Store

log = logging.getLogger(__name__)

OWN_GUARDS = frozenset({"half-room", "many-devices"})
"""Lifted by a swap itself: it is about one device, however many its room has."""
QUIET = "quiet"
"""The step that mutes the old device, where it still answers."""
SEEN_WITHIN_S = 30.0
PAUSE_S = 0.1


class Stopped(Exception):
    """The daemon stops: the swap stays as it is written down, and the next daemon takes it up."""


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
        self._store = store
        self._inventory = inventory
        self._editing = editing
        self._lookout = lookout
        self._changes = changes
        self._prospects = prospects
        self._clock = clock
        self._new_id = new_id
        self._running: dict[str, Swap] = {}
        self._tasks: dict[str, asyncio.Task[None]] = {}
        self._closing = False

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
        if self._closing:
            raise Refused("the daemon is stopping")
        for other in self._running.values():
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
        self._running[swap.id] = swap
        try:
            await self._store.save_swap(swap)
        except BaseException:
            del self._running[swap.id]
            raise
        self._spawn(swap, resumed=False, allow=asked.allow)
        return swap

    async def swaps(self) -> tuple[Swap, ...]:
        """All swaps, last begun first."""
        return await self._store.swaps()

    async def wait(self, swap: str, timeout_s: float) -> Swap:
        """A swap, when it has ended or `timeout_s` seconds have passed. Raises `NotFound`."""
        if (task := self._tasks.get(swap)) is not None:
            await asyncio.wait({task}, timeout=timeout_s)
        found = next((s for s in await self._store.swaps() if s.id == swap), None)
        if found is None:
            raise NotFound(f"no swap {shown(swap)!r}", remedy="`fleet swap` lists them.")
        return found

    async def recover(self) -> None:
        """Take up swaps that a stopped daemon left unfinished. To be called once changes are being recovered."""
        for swap in reversed(await self._store.swaps()):
            if not swap.state.ended and swap.id not in self._running:
                log.warning("swap %s of %s for %s was left %s", swap.id, swap.old, swap.new, swap.state)
                self._running[swap.id] = swap
                self._spawn(swap, resumed=True, allow=frozenset())

    def close(self) -> None:
        """Stop: no further step is begun. To be called before changes are closed, and `closed` after it."""
        self._closing = True

    async def closed(self) -> None:
        """Wait until the last steps have ended."""
        if self._tasks:
            await asyncio.wait(set(self._tasks.values()))

    def _spawn(self, swap: Swap, *, resumed: bool, allow: Collection[str]) -> None:
        work = self._carry_out(swap, resumed=resumed, allow=frozenset(allow))
        self._tasks[swap.id] = asyncio.create_task(work, name=f"swap {swap.id}")

    async def _carry_out(self, swap: Swap, *, resumed: bool, allow: frozenset[str]) -> None:
        try:
            await (self._resume(swap) if resumed else self._forward(swap, allow))
        except Stopped:
            log.warning("swap %s is left %s; the next start takes it up", swap.id, self._running[swap.id].state)
        except FleetError as error:
            log.error("swap %s stopped: %s", swap.id, error)  # noqa: TRY400  # it is for people
        except Exception:
            log.exception("swap %s stopped", swap.id)
        finally:
            self._running.pop(swap.id, None)
            self._tasks.pop(swap.id, None)

    async def _forward(self, swap: Swap, allow: frozenset[str]) -> None:
        """Do what is left to do, from the step that the swap is at; go back where that fails."""
        try:
            if swap.state is SwapState.MUTING:
                await self._mute(swap)
                swap = await self._step(swap, SwapState.WRITING)
            if swap.state is SwapState.WRITING:
                edit = await self._prospects.edit(swap.writes, swap.undoes)
                await self._editing.put(edit, who=swap.who, note=_note(swap))
                swap = await self._step(swap, SwapState.SETTING)
            if swap.state is SwapState.SETTING:
                outlook = await self._lookout.look(await self._devices(swap))
                await self._change(swap, SwapState.SETTING, plan_settings(outlook, swap.new, swap.positions), allow)
                swap = await self._step(swap, SwapState.UNMUTING)
            await self._refuse_old_one(swap)
            outlook = await self._lookout.look(await self._devices(swap))
            await self._change(swap, SwapState.UNMUTING, plan_sounding(outlook, swap.new, swap.positions), allow)
        except StoreTrouble:
            raise
        except FleetError as error:
            await self._back(swap, str(error).rstrip("."))
        else:
            await self._finish(swap)

    async def _mute(self, swap: Swap) -> None:
        """Hold the new device muted, and the old one where it answers."""
        outlook = await self._lookout.look({swap.new})
        outputs = set(outlook.reported[swap.new].state.live.outputs) if swap.new in outlook.reported else set()
        if not outputs:
            raise Refused(f"{swap.new} does not answer any more: {outlook.unreachable.get(swap.new, '')}")
        await self._change(swap, SwapState.MUTING, plan_muted(outlook, swap.new, outputs, swap.positions))
        if self._inventory.online(swap.old):
            outlook = await self._lookout.look({swap.old})
            if swap.old in outlook.reported:
                own = {p.output for p in outlook.venue.positions_of(swap.old) if (p.room, p.name) in swap.positions}
                await self._change(swap, QUIET, plan_muted(outlook, swap.old, own, swap.positions))

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

    async def _finish(self, swap: Swap) -> None:
        bound = bool(self._prospects.venue().positions_of(swap.old))
        if not swap.undoes and not bound and swap.old in {record.id for record in self._inventory.records()}:
            retirement = Retirement(since=self._clock(), serial=swap.old_serial, positions=swap.places)
            await self._inventory.retire(swap.old, retirement)
        await self._inventory.retire(swap.new, None)
        await self._step(swap, SwapState.DONE, words=f"{', '.join(swap.places)}: {swap.new} in place of {swap.old}")
        log.warning("swap %s is done: %s serves %s in place of %s", swap.id, swap.new, ", ".join(swap.places), swap.old)

    async def _back(self, swap: Swap, why: str) -> None:
        """Take back what was done: files first, since the ceilings of a place are none of a device without one."""
        swap = await self._step(swap, SwapState.GOING_BACK, words=why)
        try:
            await self._take_files_back(swap)
            for step in (SwapState.UNMUTING, SwapState.SETTING, SwapState.MUTING, QUIET):
                await self._roll_back(swap, step)
        except StoreTrouble:
            raise
        except FleetError as error:
            words = f"{why}. It could not all be taken back: {str(error).rstrip('.')}. {await self._standing(swap)}"
            await self._step(swap, SwapState.NEEDS_PERSON, words=words)
            log.error("swap %s needs a person: %s", swap.id, words)  # noqa: TRY400  # it is for people
        else:
            words = f"{why}. {await self._slots_kept(swap) or 'All is as it was before the swap.'}"
            await self._step(swap, SwapState.TAKEN_BACK, words=words)
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

    async def _roll_back(self, swap: Swap, step: str) -> None:
        """Roll a step's change back, if it was done and is not rolled back already."""
        change = _change_id(swap, step)
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

    async def _slots_kept(self, swap: Swap) -> str:
        """Slots that keep what was stored, since what they held could not be read; empty where there are none."""
        record = await self._store.change(_change_id(swap, SwapState.SETTING))
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

    async def _standing(self, swap: Swap) -> str:
        """How the devices and the files stand, for whoever has to see to it."""
        venue = self._prospects.venue()
        serving = sorted({p.device for p in venue.positions() if (p.room, p.name) in swap.positions})
        last = self._inventory.reported(swap.new)
        if last is None or not self._inventory.online(swap.new):
            how = "does not answer"
        else:
            how = "is muted" if all(o.mute for o in last.state.live.outputs.values()) else "is not muted"
        return f"Now the files name {', '.join(serving)} for {', '.join(swap.places)}; {swap.new} {how}."

    async def _resume(self, swap: Swap) -> None:
        """Finish what was set and stored already; take anything less back."""
        for step in (SwapState.MUTING, QUIET, SwapState.SETTING, SwapState.UNMUTING):
            if await self._store.change(_change_id(swap, step)) is not None:
                await self._end_of(_change_id(swap, step))
        await self._seen(swap.new)
        if swap.state is SwapState.GOING_BACK:
            await self._back(swap, swap.words)
            return
        setting = await self._store.change(_change_id(swap, SwapState.SETTING))
        unmuting = await self._store.change(_change_id(swap, SwapState.UNMUTING))
        if swap.state is SwapState.SETTING and setting is not None and setting.state is ChangeState.KEPT:
            swap = await self._step(swap, SwapState.UNMUTING)
        if unmuting is not None and unmuting.state is ChangeState.KEPT:
            await self._finish(swap)
        elif swap.state is SwapState.UNMUTING and unmuting is None:
            await self._forward(swap, frozenset())
        else:
            await self._back(swap, "the daemon stopped in the middle of it")

    async def _seen(self, device: str) -> None:
        """Wait a while for a device that has not told yet that it is alive."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(SEEN_WITHIN_S):
                while not self._inventory.online(device):
                    self._go_on()
                    await asyncio.sleep(PAUSE_S)

    async def _devices(self, swap: Swap) -> set[str]:
        outlook = await self._lookout.look({swap.new})
        return {swap.new, *(p.device for p in members(outlook, swap.positions))}

    async def _change(self, swap: Swap, step: str, plan: Plan, allow: Collection[str] = ()) -> None:
        """One step's change, to its end. What is about the new device alone was asked for by asking for the swap."""
        own = {hit.guard for hit in plan.guards if hit.may_allow and hit.device == swap.new}
        others = {hit.guard for hit in plan.guards if hit.device != swap.new} - OWN_GUARDS
        lifted = (own - others) | (OWN_GUARDS & {hit.guard for hit in plan.guards if hit.may_allow})
        await self._carry(swap, _change_id(swap, step), plan, lifted | set(allow))

    async def _carry(self, swap: Swap, change: str, plan: Plan, allow: Collection[str]) -> None:
        self._go_on()
        if plan.empty():
            return
        await self._changes.begin(plan, who=swap.who, why=f"swap {swap.id}", allow=allow, change=change)
        record = await self._end_of(change)
        if record.state is not ChangeState.KEPT:
            self._go_on()
            reasons = "; ".join(why for why in record.culprits.values() if why)
            raise Refused(f"{plan.scope}: {record.state}{': ' if reasons else ''}{reasons} (change {change})")

    async def _end_of(self, change: str) -> ChangeRecord:
        while not (record := await self._changes.wait(change, 60)).state.ended:
            self._go_on()
        return record

    async def _step(self, swap: Swap, state: SwapState, words: str = "") -> Swap:
        self._go_on()
        swap = replace(swap, state=state, words=words, ended=self._clock() if state.ended else None)
        await self._store.save_swap(swap)
        self._running[swap.id] = swap
        return swap

    def _go_on(self) -> None:
        if self._closing:
            raise Stopped


def _change_id(swap: Swap, step: str) -> str:
    return f"{swap.id}-{step}"


def _note(swap: Swap) -> str:
    until = next((own["stands_in"]["until"] for own in swap.writes.values() if own.get("stands_in")), "")
    lasting = f", which may stand in until {until}" if until else ""
    return f"swap {swap.id}: {', '.join(swap.places)} from {swap.old} to {swap.new}{lasting}"
