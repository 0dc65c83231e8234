"""What speaks against a swap, whatever settings are desired: its positions, the new device, how everything stands."""

from __future__ import annotations

from collections.abc import Collection

from fleet.errors import Refused
from fleet.model.description import Description
from fleet.model.names import shown
from fleet.model.swap import Swap
from fleet.model.venue import Position, Venue
from fleet.model.venue_time import day_of
from fleet.reconcile.muted import silent_by_us
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.scope import place
from fleet.reconcile.swap_losses import Loss
from fleet.services.inventory import Inventory
from fleet.services.swap_asked import AskedSwap


def moving(venue: Venue, position: Position, undone: Swap | None, asked: AskedSwap) -> tuple[Position, ...]:
    """The position and all others of its device: a box is exchanged whole. Raises `Refused`."""
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


def refuse_device(
    venue: Venue, inventory: Inventory, new: str, positions: tuple[Position, ...], asked: AskedSwap
) -> None:
    """Refuse a device that cannot take part, whatever it reports. Raises `NotFound` for one that was never seen."""
    name = shown(new)
    if any(p.life_safety for p in (*positions, *venue.positions_of(new))):
        raise Refused(
            "what serves life safety is never swapped by this tool",
            guards=("life-safety",),
            remedy="Exchange it by its own rules, and edit the room's file by hand.",
        )
    record = inventory.known(new).record
    if served := venue.positions_of(new):
        where = "/".join(place(served[0]))
        free = f"Name a device that is free, or give {where} another one first."
        raise Refused(f"{name} serves {where} already", remedy=free)
    if words := inventory.conflicts().get(new):
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
        since = day_of(record.retired.since, venue.time_zone)
        raise Refused(
            f"{name} was retired on {since} from {', '.join(record.retired.positions)}",
            guards=("retired",),
            remedy="If it is repaired: --allow retired.",
        )


def refuse_standing(
    outlook: Outlook, inventory: Inventory, *, new: str, positions: tuple[Position, ...], beside: Collection[str]
) -> None:
    """Refuse where rooms or devices stand so that a swap cannot be: a hold, no answer, another change, a conflict.

    `beside` are devices of the other members of the positions' coherent sets.
    """
    old = positions[0].device
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
    for device in (new, old):
        if device in outlook.reported and (held_by := outlook.reported[device].state.change) is not None:
            raise Refused(f"{device} is in the middle of change {held_by.id}", remedy="Let it end first.")
    if old in inventory.conflicts() and inventory.online(old):
        raise Refused(
            f"{old} answers and is conflicting, so that it cannot be muted: {inventory.conflicts()[old]}",
            guards=("conflicting",),
            remedy=f"Switch it off, or accept it: `fleet accept {old}`.",
        )


def refuse_muted(outlook: Outlook, new: str, positions: tuple[Position, ...]) -> None:
    """Refuse where somebody has muted a position, or another of its coherent set: a swap lets them sound."""
    places = {place(p) for p in positions}
    silent = silent_by_us(outlook.mutes.values(), outlook.venue, outlook.reported)
    if muted := next((m for m in silent if (m.room, m.position) in places), None):
        raise Refused(
            f"{muted.key} is muted by {muted.who}, and would sound once {new} is in",
            guards=("rise",),
            remedy=f"`fleet unmute {muted.room}` first; if it is to sound: --allow rise.",
        )


def with_outputs(
    positions: tuple[Position, ...], description: Description, asked: Position
) -> tuple[tuple[Position, ...], list[Loss]]:
    """Positions whose output the device has; the others stay where they are, which is a loss.

    Raises `Refused` where it lacks the one that was asked for.
    """
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
