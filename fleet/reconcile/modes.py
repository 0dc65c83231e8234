"""Modes in a plan: which rooms come into which mode together, and what that asks of a plan. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from fleet.errors import BadInput, NotFound, Refused
from fleet.model.days import HOUSE_MODE
from fleet.model.plan import Plan, PlanKind
from fleet.model.venue import Position, Room, Venue
from fleet.reconcile.scope import Scope, room_of
from fleet.reconcile.sealing import sealed


@dataclass(frozen=True, slots=True, kw_only=True)
class ModeChange:
    """The modes that rooms are in before a change and after it, of every room that it brings into one.

    `notes` tells of rooms that nobody named and why they come along.
    """

    was: Mapping[str, str] = field(default_factory=dict)
    then: Mapping[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


def in_scope(venue: Venue, kind: PlanKind, scope: Scope, modes: Mapping[str, str]) -> tuple[Scope, ModeChange]:
    """The scope with all rooms that a recall brings into a mode, telling the modes of its rooms; and those modes.

    `venue` is that of now. Raises `BadInput` where a mode does not go with what was asked for, `Refused` where a mode
    has nothing to be stored, and as `brought`.
    """
    if not modes:
        return replace(scope, modes=_told(venue, scope.rooms, {})), ModeChange()
    if scope.group or scope.position:
        raise BadInput(
            "a mode is of a whole room: it cannot go with a group or a position",
            where="--mode",
            remedy="Leave --group and --position out; --without leaves single boxes out.",
        )
    if kind not in ("recall", "store"):
        remedy = "`fleet recall ROOM --mode NAME` brings a room into a mode."
        raise BadInput(f"a mode cannot go with {kind}", where="--mode", remedy=remedy)
    change = brought(venue, modes)
    if kind == "store":
        for name, mode in modes.items():
            _check_own_slot(venue.rooms[name], mode)
        return replace(scope, modes=_told(venue, scope.rooms, change.then)), change
    rooms = (*scope.rooms, *(name for name in change.then if name not in scope.rooms))
    return replace(scope, rooms=rooms, modes=_told(venue, rooms, change.then)), change


def brought(venue: Venue, asked: Mapping[str, str]) -> ModeChange:
    """What it takes to bring rooms into the modes asked for; the rooms of `venue` are in those of now.

    Rooms whose modes go together come along. A room that leaves such a mode leaves no other room in it: one that
    nothing is said of falls back to `house`. Raises `NotFound` for an unknown room or mode, and `BadInput` where
    modes asked for contradict.
    """
    then: dict[str, str] = {}
    notes: list[str] = []
    for name, mode in asked.items():
        _bring(then, name, mode_of(room_of(venue, name), mode))
    for name, mode in asked.items():
        for other, its_mode in _along(venue, name, mode).items():
            if other not in then:
                notes.append(f"{other} comes into mode {its_mode}, since that goes together with mode {mode} of {name}")
            _bring(then, other, its_mode)
    leaving = list(then)
    while leaving:
        name = leaving.pop(0)
        for other in _left_alone(venue, name, then[name]):
            if other not in then:
                present = venue.rooms[other].mode
                then[other] = HOUSE_MODE
                leaving.append(other)
                why = f"it is in mode {present} together with {name}, which leaves that"
                notes.append(f"{other} comes into mode {HOUSE_MODE}: {why}")
    was = {name: venue.rooms[name].mode for name in sorted(then)}
    return ModeChange(was=was, then=dict(sorted(then.items())), notes=tuple(notes))


def in_modes(plan: Plan, change: ModeChange, venue: Venue) -> Plan:
    """The plan with the modes that stand before it, and once it is kept; `venue` is that of then.

    Raises `Refused` where a room would come into a mode with not one of its boxes.
    """
    if not change.then:
        return plan
    for name, mode in change.then.items():
        _check_taking_part(plan, venue.rooms[name], mode)
    was, then = replace(plan.was, modes=change.was), replace(plan.then, modes=change.then)
    return sealed(replace(plan, notes=(*plan.notes, *change.notes), was=was, then=then))


def check_not_left(venue: Venue, then: Mapping[str, str]) -> None:
    """Raise `Refused` where a room would come out of a mode in which another room stays. `venue` is that of now."""
    for name, mode in then.items():
        for other in _left_alone(venue, name, mode) if name in venue.rooms else ():
            if other not in then:
                raise Refused(
                    f"{name} is in mode {venue.rooms[name].mode} together with {other} now",
                    remedy=f"Bring both out of it first: `fleet recall {name} --mode {HOUSE_MODE}`.",
                )


def mode_of(room: Room, mode: str) -> str:
    """A mode of a room. Raises `NotFound` that lists what there is."""
    if mode != HOUSE_MODE and mode not in room.modes:
        there = ", ".join([*sorted(room.modes), HOUSE_MODE])
        raise NotFound(f"{room.name} has no mode {mode!r}", remedy=f"Modes: {there}.")
    return mode


def _along(venue: Venue, room: str, mode: str) -> Mapping[str, str]:
    """The rooms that go with a mode of a room, as far as there are any."""
    modes = venue.rooms[room].modes
    return {r: m for r, m in modes[mode].together_with.items() if r in venue.rooms} if mode in modes else {}


def _left_alone(venue: Venue, room: str, mode: str) -> list[str]:
    """Rooms that are together with a room now, and would not be where it comes into this mode alone."""
    present = venue.rooms[room].mode
    if mode == present:
        return []
    along = _along(venue, room, present)
    return [other for other, its_mode in along.items() if its_mode == venue.rooms[other].mode != HOUSE_MODE]


def _bring(then: dict[str, str], room: str, mode: str) -> None:
    if then.setdefault(room, mode) != mode:
        raise BadInput(
            f"{room} cannot be in mode {then[room]} and in mode {mode} at once", where="--mode", remedy="Name one."
        )


def _check_own_slot(room: Room, mode: str) -> None:
    """Refuse where nothing of a mode is kept in a slot of its own, so that there is nothing to store."""
    if mode != HOUSE_MODE and not any(_has_own_slot(p) for p in room.modes[mode].positions.values()):
        raise Refused(
            f"mode {mode} of {room.name} has no slot of its own: its slots hold the room without modes",
            remedy=f"Give the mode a `slot`, or store the room without modes: `fleet store {room.name} --mode house`.",
        )


def _has_own_slot(position: Position) -> bool:
    return position.stored_as is not None and position.slots != position.stored_as.slots


def _check_taking_part(plan: Plan, room: Room, mode: str) -> None:
    out = {x.position: x for x in plan.left_out if x.room == room.name}
    ours = sorted(p.name for p in room.positions.values() if not p.life_safety)
    if ours and all(name in out for name in ours):
        raise Refused(
            f"no box of {room.name} can take part in mode {mode}: {'; '.join(f'{n}: {out[n].words}' for n in ours)}",
            remedy="Bring a device back, or leave the rooms in the modes they are in.",
            unable={x.device: x.words for x in out.values() if x.unable},
        )


def _told(venue: Venue, rooms: Iterable[str], then: Mapping[str, str]) -> dict[str, str]:
    """The modes that the words of a scope tell: those that rooms are in or come into, `house` where it is asked for."""
    modes = {name: then.get(name, venue.rooms[name].mode) for name in rooms if name in venue.rooms}
    return {name: mode for name, mode in modes.items() if mode != HOUSE_MODE or name in then}
