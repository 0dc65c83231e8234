"""Which positions a change is about: all or nothing holds over exactly these."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field

from fleet.errors import BadInput, NotFound
from fleet.model.plan import LeftOut
from fleet.model.venue import Position, Room, Venue

Place = tuple[str, str]
"""A position's full name: room and position."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scope:
    """What was asked for: rooms, narrowed to a group, a position or several positions, without some positions.

    `also` names further rooms that a shared device may touch; `modes` the modes that are to be told.
    """

    rooms: tuple[str, ...]
    group: str | None = None
    position: str | None = None
    without: frozenset[str] = frozenset()
    also: frozenset[str] = frozenset()
    positions: frozenset[str] = frozenset()
    modes: Mapping[str, str] = field(default_factory=dict)

    @property
    def words(self) -> str:
        """The scope as a person would say it."""
        text = ", ".join(f"{r} in mode {self.modes[r]}" if r in self.modes else r for r in self.rooms)
        if self.group:
            text += f", group {self.group}"
        if self.position:
            text += f", position {self.position}"
        if self.positions:
            text += f", positions {', '.join(sorted(self.positions))}"
        if self.without:
            text += f", without {', '.join(sorted(self.without))}"
        return text


@dataclass(frozen=True, slots=True, kw_only=True)
class Scoped:
    """A scope worked out: the positions in it, those left out and why, and what was added to keep sets together."""

    positions: tuple[Position, ...]
    left_out: tuple[LeftOut, ...] = ()
    notes: tuple[str, ...] = ()
    named_rooms: frozenset[str] = field(default_factory=frozenset)


def work_out(venue: Venue, scope: Scope, unreachable: Mapping[str, str], *, leave_out_dead: bool = False) -> Scoped:
    """The positions of a scope.

    `unreachable` maps device ids that cannot take part to the reason in words. With `leave_out_dead` (the operator's
    recall) their positions are left out and named; otherwise they stay in, and the planner refuses. Where a member of
    a coherent set is left out, its other members are left out too: a set is never left half changed.
    Raises `NotFound` for an unknown room, group or position.
    """
    named = [p for name in scope.rooms for p in select(venue, name, group=scope.group, position=scope.position)]
    if only := scope.positions:
        known = [p.name for p in named]
        if unknown := sorted(only.difference(known)):
            raise NotFound(f"no position {', '.join(unknown)} in {', '.join(scope.rooms)}", remedy=_positions(known))
        named = [p for p in named if p.name in only]
    asked, notes = _with_whole_sets(venue, named)
    if unknown := sorted(scope.without - {p.name for p in asked}):
        raise NotFound(f"no position {', '.join(unknown)} in {scope.words}", remedy=_positions(p.name for p in asked))
    reasons = {place(p): "left out as asked" for p in asked if p.name in scope.without}
    if leave_out_dead:
        reasons |= {place(p): unreachable[p.device] for p in asked if p.device in unreachable}
    reasons |= _rest_of_broken_sets(asked, reasons)
    return Scoped(
        positions=tuple(p for p in asked if place(p) not in reasons),
        left_out=tuple(
            LeftOut(room=p.room, position=p.name, device=p.device, words=reasons[place(p)])
            for p in asked
            if place(p) in reasons
        ),
        notes=tuple(notes),
        named_rooms=frozenset(scope.rooms) | scope.also,
    )


def room_of(venue: Venue, name: str) -> Room:
    """The room of this name. Raises `NotFound` that lists what there is."""
    if name not in venue.rooms:
        raise NotFound(f"no room {name!r}", remedy=f"Rooms: {', '.join(sorted(venue.rooms)) or 'none loaded'}.")
    return venue.rooms[name]


def select(venue: Venue, name: str, *, group: str | None = None, position: str | None = None) -> tuple[Position, ...]:
    """Positions of a room by name, narrowed to a group or one position. Raises `NotFound`, or `BadInput` for both."""
    room = room_of(venue, name)
    if group and position:
        raise BadInput("a group and a position were both given", remedy="Give one of them.")
    names: Collection[str] = room.positions
    if group:
        if group not in room.groups:
            known = ", ".join(sorted(room.groups)) or "none"
            raise NotFound(f"no group {group!r} in {room.name}", remedy=f"Groups: {known}.")
        names = room.groups[group].positions
    elif position:
        if position not in room.positions:
            raise NotFound(f"no position {position!r} in {room.name}", remedy=_positions(room.positions))
        names = (position,)
    return tuple(room.positions[name] for name in sorted(names))


def _positions(names: Iterable[str]) -> str:
    """Which there are, for whoever named one that is not there."""
    return f"Positions: {', '.join(sorted(names))}."


def place(position: Position) -> Place:
    """A position's full name."""
    return (position.room, position.name)


def _with_whole_sets(venue: Venue, asked: list[Position]) -> tuple[list[Position], list[str]]:
    """The positions asked for and every member of their coherent sets, of those members' other sets too."""
    found = {place(p): p for p in asked}
    notes: list[str] = []
    ahead = list(asked)
    while ahead:
        position = ahead.pop(0)
        room = venue.rooms[position.room]
        for set_name in position.coherent:
            for name in room.groups[set_name].positions:
                if (position.room, name) not in found:
                    found[position.room, name] = room.positions[name]
                    ahead.append(room.positions[name])
                    notes.append(f"{name} goes with {position.name}: both belong to the coherent set {set_name}")
    return [found[name] for name in sorted(found)], notes


def _rest_of_broken_sets(asked: Collection[Position], reasons: Mapping[Place, str]) -> dict[Place, str]:
    """Why the other members of a set stay as they are when one is left out; that may break a further set."""
    rest: dict[Place, str] = {}
    while True:
        out = {**reasons, **rest}
        broken = {(p.room, name): p.name for p in asked if place(p) in out for name in p.coherent}
        more = {
            place(p): f"stays as it is: {broken[p.room, name]} of its coherent set {name} is left out"
            for p in asked
            if place(p) not in out
            for name in p.coherent
            if (p.room, name) in broken
        }
        if not more:
            return rest
        rest |= more
