"""What a swap would do, and everything that speaks against it, found before anything is touched."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from fleet.desired.load import load
from fleet.drivers.protocol import Driver
from fleet.errors import BadFiles, BadInput, NotFound, Refused
from fleet.model.state import Reported
from fleet.model.swap import Swap, SwapState
from fleet.model.venue import Position, Venue
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.scope import place
from fleet.reconcile.slots_of_modes import SlotOfMode, slots_of_modes
from fleet.reconcile.swap import fit
from fleet.reconcile.swap_losses import Loss
from fleet.reconcile.swap_notes import notes, unlike
from fleet.reconcile.swap_plans import members
from fleet.reconcile.wanted_devices import wanted_devices
from fleet.services.binding import find_position
from fleet.services.desired import Desired
from fleet.services.editing import Editing, Files
from fleet.services.in_use import InUse
from fleet.services.inventory import Inventory
from fleet.services.outlook import Lookout
from fleet.services.swap_asked import AskedSwap, Prospect, sealed
from fleet.services.swap_files import Writes, originals, restored, written
from fleet.services.swap_refusals import moving, refuse_device, refuse_muted, refuse_standing, with_outputs
from fleet.store.protocol import Store


class Prospects:
    """Works swaps out."""

    def __init__(
        self,
        *,
        store: Store,
        driver: Driver,
        inventory: Inventory,
        desired: Desired,
        editing: Editing,
        lookout: Lookout,
        in_use: InUse,
        clock: Callable[[], datetime],
    ) -> None:
        self._in_use = in_use
        self._store = store
        self._driver = driver
        self._inventory = inventory
        self._desired = desired
        self._editing = editing
        self._lookout = lookout
        self._clock = clock

    def venue(self) -> Venue:
        """The venue in force."""
        return self._desired.venue()

    def slots_of(self, device: str) -> tuple[SlotOfMode, ...]:
        """What the slots of a device are to hold, in every mode of its rooms, by the version in force."""
        descriptions = self._inventory.descriptions()
        return slots_of_modes(self._desired.in_force().venue, device, descriptions, self._driver.representable)

    async def edit(self, writes: Writes, undoes: str) -> Callable[[Files], Files]:
        """The edit that a swap makes. One that undoes another takes out what that wrote, to the letter where it can."""
        if not undoes:
            return lambda files: written(files, writes)
        undone = next(swap for swap in await self._store.swaps() if swap.id == undoes)
        before = await self.files_before(undone)
        return lambda files: restored(files, before, undone.writes, written(before, undone.writes))

    async def files_before(self, swap: Swap) -> Files:
        """The files in force when a swap began. Raises `Refused` where they are gone."""
        stored = await self._store.version(swap.version_before)
        if stored is None:
            raise Refused(f"the version before swap {swap.id} is not in the database any more")
        return stored.files

    async def work_out(self, asked: AskedSwap) -> Prospect:
        """What would be done. Raises `NotFound`, `BadInput`, `BadFiles` or `Refused`, each with the way out."""
        version = self._desired.in_force()
        position = find_position(version.venue, asked.position, asked.room)
        before = await self._swap_of(position)
        if asked.undo and before is None:
            here = "/".join(place(position))
            raise NotFound(f"{position.device} did not come to {here} by a swap", remedy="`fleet swap` lists swaps.")
        new = before.old if asked.undo and before is not None else asked.device
        positions = moving(version.venue, position, before if asked.undo else None, asked)
        refuse_device(version.venue, self._inventory, new, positions, asked)
        await self._in_use.refuse_at_work({p.room for p in positions}, {new, position.device})
        outlook = await self._look(new, positions, asked.allow)
        one = outlook.reported[new]
        positions, lost = with_outputs(positions, one.description, position)
        base = await self._base(positions, before)
        if asked.undo:
            writes, losses = base, list[Loss]()
        else:
            writes, losses = self._fitted(version.files, base, new, one, positions)
        losses = [*lost, *losses]
        if losses and asked.until is not None and not asked.undo:
            self._refuse_day(asked.until)
            stands_in = {"instead_of": _meant(position), "until": asked.until.isoformat()}
            writes = {where: {**own, "stands_in": stands_in} for where, own in writes.items()}
        undoes = before.id if asked.undo and before is not None else ""
        edit = await self.edit(writes, undoes)
        self._refuse_files(edit(version.files), new)
        old_one = self._inventory.descriptions().get(position.device)
        prospect = Prospect(
            positions=tuple(place(p) for p in positions),
            old=position.device,
            old_serial=self._serial(position.device),
            new=new,
            new_serial=one.description.serial,
            losses=tuple(losses),
            notes=(*unlike(old_one, one.description), *notes(outlook, position, positions, old_one, one.description)),
            writes=writes,
            version=version.sha256,
            undoes=undoes,
        )
        return sealed(prospect)

    async def _swap_of(self, position: Position) -> Swap | None:
        """The swap by which a position has its device, if it has it by one."""
        for swap in await self._store.swaps():
            if swap.state is SwapState.DONE and place(position) in swap.positions:
                return swap if swap.new == position.device and not swap.undoes else None
        return None

    async def _base(self, positions: tuple[Position, ...], before: Swap | None) -> dict[str, dict[str, Any]]:
        """Writes that take out what the swap before wrote for a device that could not do all."""
        if before is None:
            return {"/".join(place(p)): {"device": p.device, "output": p.output} for p in positions}
        back = originals(await self.files_before(before), before.writes)
        names = {"/".join(place(p)): p for p in positions}
        return {n: dict(back.get(n, {"device": p.device, "output": p.output})) for n, p in names.items()}

    def _fitted(
        self,
        files: Files,
        base: Mapping[str, Mapping[str, Any]],
        new: str,
        one: Reported,
        positions: tuple[Position, ...],
    ) -> tuple[dict[str, dict[str, Any]], list[Loss]]:
        writes = {where: {**own, "device": new} for where, own in base.items()}
        venue = load(written(files, writes)).venue
        descriptions = {**self._inventory.descriptions(), new: one.description}
        latencies_ms = {device: d.latency_ms for device, d in descriptions.items()}
        losses: list[Loss] = []
        for p in positions:
            wanted = venue.rooms[p.room].positions[p.name]
            old = descriptions.get(_meant(p))
            try:
                fitted = fit(venue, wanted, one, old, latencies_ms, self._driver.representable)
            except BadInput as error:
                raise Refused(f"{new} cannot be {p.name}: {error.what}", remedy=error.remedy) from None
            writes["/".join(place(p))] |= fitted.members
            losses += fitted.losses
        return writes, losses

    async def _look(self, new: str, positions: tuple[Position, ...], allow: frozenset[str]) -> Outlook:
        """Read the new device, the old one where it answers, and the others of their coherent sets."""
        old = positions[0].device
        outlook = await self._lookout.look({new})
        beside = {p.device for p in members(outlook, tuple(place(p) for p in positions))} - {old}
        alive = {old} if self._inventory.online(old) and old not in self._inventory.conflicts() else set()
        outlook = await self._lookout.look({new, *beside, *alive})
        refuse_standing(outlook, self._inventory, new=new, positions=positions, beside=beside)
        if "rise" not in allow:
            refuse_muted(outlook, new, members(outlook, tuple(place(p) for p in positions)))
        return outlook

    def _refuse_files(self, files: Files, new: str) -> None:
        """Refuse where the files after it would be wrong, or ask of the device what it cannot do."""
        if errors := self._editing.new_errors(files):
            raise BadFiles(errors)
        _, wrong = wanted_devices(load(files).venue, [new], self._inventory.descriptions(), self._driver.representable)
        if new in wrong:
            raise Refused(
                f"{new} cannot be what is desired: {wrong[new]}",
                remedy="Name another device, or give the position settings that it can hold.",
            )

    def _refuse_day(self, until: date) -> None:
        today = self._clock().astimezone(ZoneInfo(self._desired.venue().time_zone)).date()
        if until < today:
            raise BadInput(f"{until.isoformat()} is past", where="--until")

    def _serial(self, device: str) -> str:
        record = next((r for r in self._inventory.records() if r.id == device), None)
        if record is None:
            return ""
        if record.identity is not None:
            return record.identity.serial
        return record.description.serial if record.description else ""


def _meant(position: Position) -> str:
    """The device that is meant to serve a position, whichever stands in for it."""
    return position.stands_in.instead_of if position.stands_in is not None else position.device
