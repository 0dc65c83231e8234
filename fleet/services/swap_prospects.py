"""What a swap would do, and everything that speaks against it, found before anything is touched."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from fleet.desired.load import load
from fleet.drivers.protocol import Driver
from fleet.errors import BadFiles, BadInput, NotFound, Refused
from fleet.model.description import Description
from fleet.model.edge import digest, plain
from fleet.model.names import shown
from fleet.model.state import Reported
from fleet.model.swap import Swap, SwapState
from fleet.model.venue import Position, Venue
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.scope import Place, place
from fleet.reconcile.swap import Loss, fit, unlike
from fleet.reconcile.swap_plans import members
from fleet.reconcile.wanted import wanted_devices
from fleet.services.binding import find_position
from fleet.services.desired import Desired
from fleet.services.editing import Editing, Files
from fleet.services.inventory import Inventory
from fleet.services.outlook import Lookout
from fleet.services.swap_files import Writes, originals, restored, written
from fleet.store.protocol import Store


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedSwap:
    """What to swap: the device of a position for another one, or (`undo`) the one that was there before.

    `also` names other rooms that the old device serves; `until` is the last day for a device that cannot do all.
    """

    position: str
    device: str = ""
    room: str | None = None
    until: date | None = None
    undo: bool = False
    allow: frozenset[str] = frozenset()
    also: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class Prospect:
    """A swap as it would be done, and named by its digest."""

    positions: tuple[Place, ...]
    old: str
    old_serial: str
    new: str
    new_serial: str
    losses: tuple[Loss, ...]
    notes: tuple[str, ...]
    writes: Mapping[str, Mapping[str, Any]]
    version: str
    undoes: str
    digest: str = ""


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
        clock: Callable[[], datetime],
    ) -> None:
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
        positions = _moving(version.venue, position, before if asked.undo else None, asked)
        self._refuse_device(version.venue, new, positions, asked)
        outlook = await self._look(new, positions)
        one = outlook.reported[new]
        positions, lost = _with_outputs(positions, one.description, position)
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
        descriptions = self._inventory.descriptions()
        old_one = descriptions.get(position.device)
        prospect = Prospect(
            positions=tuple(place(p) for p in positions),
            old=position.device,
            old_serial=self._serial(position.device),
            new=new,
            new_serial=one.description.serial,
            losses=tuple(losses),
            notes=(*unlike(old_one, one.description), *self._told(version.venue, outlook, position, positions, one)),
            writes=writes,
            version=version.sha256,
            undoes=undoes,
        )
        return _sealed(prospect)

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

    async def _look(self, new: str, positions: tuple[Position, ...]) -> Outlook:
        """Read the new device, the old one where it answers, and the others of their coherent sets."""
        old = positions[0].device
        outlook = await self._lookout.look({new})
        beside = {p.device for p in members(outlook, tuple(place(p) for p in positions))} - {old}
        alive = {old} if self._inventory.online(old) and old not in self._inventory.conflicts() else set()
        outlook = await self._lookout.look({new, *beside, *alive})
        if held := sorted({p.room for p in positions} & set(outlook.held)):
            raise Refused(
                f"{held[0]} is on hold: {outlook.held[held[0]]}",
                guards=("hold",),
                remedy=f"Wait, or release it: `fleet release {held[0]}`.",
            )
        if new in outlook.unreachable:
            raise Refused(
                f"{new} cannot be put in: {outlook.unreachable[new]}",
                unable={new: outlook.unreachable[new]},
                remedy="Connect it, or name another device.",
            )
        dead = {d: w for d, w in {**outlook.unreachable, **outlook.conflicting}.items() if d in beside}
        if dead:
            raise Refused(
                "the other members of its coherent set have to take part: " + "; ".join(dead.values()),
                unable=dead,
                remedy="Bring them back first, or swap them first; a set is never left half changed.",
            )
        for device in (new, *sorted(alive)):
            if device in outlook.reported and (held_by := outlook.reported[device].state.change) is not None:
                raise Refused(f"{device} is in the middle of change {held_by.id}", remedy="Let it end first.")
        if old in self._inventory.conflicts() and self._inventory.online(old):
            raise Refused(
                f"{old} answers and is conflicting, so that it cannot be muted: {self._inventory.conflicts()[old]}",
                guards=("conflicting",),
                remedy=f"Switch it off, or accept it: `fleet accept {old}`.",
            )
        return outlook

    def _refuse_device(self, venue: Venue, new: str, positions: tuple[Position, ...], asked: AskedSwap) -> None:
        name = shown(new)
        if any(p.life_safety for p in (*positions, *venue.positions_of(new))):
            raise Refused(
                "what serves life safety is never swapped by this tool",
                guards=("life-safety",),
                remedy="Exchange it by its own rules, and edit the room's file by hand.",
            )
        record = self._inventory.known(new).record
        if served := venue.positions_of(new):
            where = "/".join(place(served[0]))
            free = f"Name a device that is free, or give {where} another one first."
            raise Refused(f"{name} serves {where} already", remedy=free)
        if words := self._inventory.conflicts().get(new):
            remedy = f"If it is the right one: `fleet accept {name}`."
            raise Refused(f"{name} is conflicting: {words}", guards=("conflicting",), remedy=remedy)
        kept_for = venue.spares().get(new, ())
        if kept_for and not all(place(p) in kept_for for p in positions) and not asked.undo:
            lacking = next("/".join(place(p)) for p in positions if place(p) not in kept_for)
            raise Refused(
                f"{name} is kept as a spare for {', '.join('/'.join(k) for k in kept_for)}, not for {lacking}",
                remedy="Add that position to its `spare_for` in the room's file, or name another device.",
            )
        if record.retired is not None and not asked.undo and "retired" not in asked.allow:
            raise Refused(
                f"{name} was retired on {record.retired.since:%Y-%m-%d} from {', '.join(record.retired.positions)}",
                guards=("retired",),
                remedy="If it is repaired: --allow retired.",
            )

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

    def _told(
        self, venue: Venue, outlook: Outlook, asked: Position, positions: tuple[Position, ...], one: Reported
    ) -> list[str]:
        """What one should know though it is no loss."""
        old = positions[0].device
        notes = []
        if len(positions) > 1:
            others = ", ".join("/".join(place(p)) for p in positions if place(p) != place(asked))
            notes.append(f"{old} also serves {others}: all of it moves")
        if old in outlook.reported:
            notes.append(f"{old} still answers: it is muted first, so that both do not sound")
        if old not in self._inventory.descriptions():
            return notes
        if self._inventory.descriptions()[old].latency_ms != one.description.latency_ms:
            moved = {place(p) for p in positions}
            late = [
                p.name
                for p in venue.positions()
                if p.time_align and (p.room, p.time_align.to) in moved and place(p) not in moved
            ]
            if late:
                notes.append(f"its latency is another one: apply {', '.join(late)} afterwards, aligned to it")
        return notes


def refuse_losses(prospect: Prospect, asked: AskedSwap) -> None:
    """Refuse a lesser device that was not asked for as such, or without the day until which it may stay."""
    if asked.undo or not prospect.losses:
        return
    serious = [loss for loss in prospect.losses if loss.serious]
    if serious and "lesser" not in asked.allow:
        raise Refused(
            f"{prospect.new} cannot do what is desired: " + "; ".join(f"{x.position}: {x.words}" for x in serious),
            guards=("lesser",),
            remedy="Name another device. If it has to be this one: --allow lesser.",
        )
    if asked.until is None:
        raise BadInput(
            f"{prospect.new} cannot do all that {prospect.old} did, so that it may only stay for a time",
            where="--until",
            remedy="Give the last day, as in --until 2031-05-20",
        )


def _moving(venue: Venue, position: Position, undone: Swap | None, asked: AskedSwap) -> tuple[Position, ...]:
    """The position and all others of its device: a box is exchanged whole."""
    if asked.device == position.device:
        raise Refused(f"{position.device} serves {'/'.join(place(position))} already", remedy="Name another device.")
    found = [p for p in venue.positions_of(position.device) if undone is None or place(p) in undone.positions]
    others = sorted({p.room for p in found} - {position.room} - asked.also)
    if others:
        raise Refused(
            f"{position.device} serves {', '.join(others)} too",
            guards=("shared-device",),
            remedy="Name that as well: " + " ".join(f"--also {room}" for room in others),
        )
    return tuple(found)


def _with_outputs(
    positions: tuple[Position, ...], description: Description, asked: Position
) -> tuple[tuple[Position, ...], list[Loss]]:
    """Positions whose output the device has; the others stay where they are, which is a loss."""
    model = shown(description.model)
    if description.output(asked.output) is None:
        raise Refused(
            f"{description.id} ({model}) has no output {asked.output}, which {asked.name} needs",
            remedy="Name a device that has it.",
        )
    lost = [
        Loss(position=p.name, words=f"stays without a device: {model} has no output {p.output}", serious=True)
        for p in positions
        if description.output(p.output) is None
    ]
    return tuple(p for p in positions if description.output(p.output) is not None), lost


def _meant(position: Position) -> str:
    """The device that is meant to serve a position, whichever stands in for it."""
    return position.stands_in.instead_of if position.stands_in is not None else position.device


def _sealed(p: Prospect) -> Prospect:
    data = {
        "positions": p.positions,
        "old": [p.old, p.old_serial],
        "new": [p.new, p.new_serial],
        "losses": [plain(x) for x in p.losses],
        "writes": p.writes,
        "version": p.version,
    }
    return replace(p, digest=digest(data))
