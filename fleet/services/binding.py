"""Binding: which device, and which of its outputs, serves a position."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import NoReturn

from fleet.errors import BadInput, NotFound, Refused
from fleet.model.names import shown
from fleet.model.venue import Position, Venue
from fleet.model.venue_time import day_of
from fleet.reconcile.scope import place, room_of
from fleet.services.desired import Desired
from fleet.services.editing import Edited, Editing, Files
from fleet.services.in_use import InUse
from fleet.services.inventory import Inventory
from fleet.services.swap_files import written


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedBinding:
    """What to bind. `position` is `room/position`, or the name alone where it is unique or `room` is given."""

    position: str
    device: str
    output: int = 1
    room: str | None = None
    allow: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class Bound:
    """A binding that is in force: the position as it was and as it is."""

    before: Position
    position: Position
    edited: Edited


class Binding:
    """Binds positions to devices, in the room's file."""

    def __init__(self, inventory: Inventory, desired: Desired, editing: Editing, in_use: InUse) -> None:
        self._inventory = inventory
        self._desired = desired
        self._editing = editing
        self._in_use = in_use

    async def bind(self, asked: AskedBinding, who: str) -> Bound:
        """Write a binding and put it in force. It sounds as before: the device gets no settings by that.

        Raises `NotFound`, `BadInput` for an output that is not there, `Refused` with the way out, also in a walk or
        a change, which would not be of the room's devices any more, and what `Editing.put` raises.
        """
        before = find_position(self._desired.venue(), asked.position, asked.room)
        full = "/".join(place(before))
        await self._in_use.refuse_at_work([before.room], {before.device, asked.device})

        def edit(files: Files) -> Files:
            # Judged by the version that is edited, which no other edit can change meanwhile.
            venue = self._desired.venue()
            now = find_position(venue, full, None)
            self._refuse_position(now, asked)
            self._refuse_device(venue, now, asked)
            return written(files, {full: {"device": asked.device, "output": asked.output}})

        note = f"bind {full} to {asked.device}, output {asked.output}"
        edited = await self._editing.put(edit, who=who, note=note)
        if self._inventory.known(asked.device).record.retired is not None:
            await self._inventory.retire(asked.device, None)
        return Bound(before=before, position=find_position(edited.version.venue, full, None), edited=edited)

    def unbind(self, position: str, room: str | None) -> NoReturn:
        """Refuse to leave a position without a device: room files have none, and a change could not tell it from a gap.

        Raises `NotFound`, or `Refused` that says what to do instead.
        """
        one = find_position(self._desired.venue(), position, room)
        full = "/".join(place(one))
        raise Refused(
            f"{full} cannot be without a device: a room file names one for every position",
            remedy=f"Put another in its place (`fleet swap {full} DEVICE`, `fleet bind {full} DEVICE`), or take the "
            "position out of the room's file and load it.",
        )

    @staticmethod
    def _refuse_position(position: Position, asked: AskedBinding) -> None:
        full = "/".join(place(position))
        if position.life_safety:
            raise Refused(
                f"{full} serves life safety: its binding is not written by this tool",
                guards=("life-safety",),
                remedy="Edit the room's file by hand, with whoever is responsible for it, and load it.",
            )
        if position.stands_in is not None and asked.device != position.device:
            raise Refused(
                f"{position.device} stands in for {position.stands_in.instead_of} at {full}, with settings of its own",
                remedy=f"Swap instead: `fleet swap {full} {shown(asked.device)}`, or `fleet swap --undo {full}`.",
            )

    def _refuse_device(self, venue: Venue, position: Position, asked: AskedBinding) -> None:
        device = shown(asked.device)
        record = self._inventory.known(asked.device).record
        if words := self._inventory.conflicts().get(asked.device):
            remedy = f"If it is the right one: `fleet accept {device}`."
            raise Refused(f"{device} is conflicting: {words}", guards=("conflicting",), remedy=remedy)
        served = [p for p in venue.positions_of(asked.device) if place(p) != place(position)]
        if any(p.life_safety for p in served):
            raise Refused(f"{device} serves life safety: nothing else is bound to it", guards=("life-safety",))
        if record.description is None:
            raise Refused(f"{device} has not told what it is", remedy="Wait until it is reachable.")
        if record.description.output(asked.output) is None:
            there = ", ".join(str(o.output) for o in record.description.outputs)
            raise BadInput(f"{device} has no output {asked.output}: it has {there}", where="--output")
        if taken := [p for p in served if p.output == asked.output]:
            where = "/".join(place(taken[0]))
            raise Refused(
                f"{device}, output {asked.output}, serves {where} already",
                remedy=f"Give {where} another device first (`fleet swap {where} DEVICE` or `fleet bind {where} "
                "DEVICE`), or take that position out of its room's file.",
            )
        if record.retired is not None and "retired" not in asked.allow:
            since = day_of(record.retired.since, venue.time_zone)
            raise Refused(
                f"{device} was retired on {since} from {', '.join(record.retired.positions)}",
                guards=("retired",),
                remedy="If it is repaired: --allow retired.",
            )


def find_position(venue: Venue, text: str, room: str | None) -> Position:
    """A position by `room/position`, by its name in a room, or by its name alone. Raises `NotFound` or `BadInput`."""
    own, slash, name = text.partition("/")
    if slash and room is not None and room != own:
        raise BadInput(f"{shown(text)} is not in {shown(room)}", where="--room")
    if slash or room is not None:
        found = room_of(venue, own if slash else room or "")
        wanted = name if slash else text
        if wanted not in found.positions:
            remedy = f"Positions: {', '.join(sorted(found.positions))}."
            raise NotFound(f"no position {shown(wanted)!r} in {found.name}", remedy=remedy)
        return found.positions[wanted]
    return _only([p for p in venue.positions() if p.name == text], text)


def _only(found: Collection[Position], text: str) -> Position:
    if not found:
        raise NotFound(f"no position {shown(text)!r}", remedy="`fleet rooms` lists rooms; write ROOM/POSITION.")
    if len(found) > 1:
        places = ", ".join("/".join(place(p)) for p in found)
        raise BadInput(f"there are {len(found)} positions {text}", remedy=f"Write one of {places}.")
    return next(iter(found))
