"""Positions of a room by what they are for, and findings brought together where one line of a file caused them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from typing import Final

from fleet.desired.finding import Design, some
from fleet.desired.written import Place
from fleet.model.venue import Position, Room, Silence

TOP_ROLES: Final = frozenset({"top", "main"})
SUB_ROLE: Final = "sub"
FILL_ROLES: Final = frozenset({"fill", "delay"})


def tops(room: Room) -> list[Position]:
    """Positions with a top's role, or with none but in a coherent set."""
    return [
        position
        for position in room.positions.values()
        if position.role in TOP_ROLES or (not position.role and position.coherent)
    ]


def subs(room: Room) -> list[Position]:
    """Positions with a subwoofer's role."""
    return [position for position in room.positions.values() if position.role == SUB_ROLE]


def fills(room: Room) -> list[Position]:
    """Positions that come in behind others: by their role, or because they are aligned to another."""
    return [
        position
        for position in room.positions.values()
        if position.role in FILL_ROLES or (position.time_align is not None and position.role != SUB_ROLE)
    ]


def steered(room: Room) -> frozenset[str]:
    """Names of positions that belong to a pair of subwoofers, whose settings differ on purpose."""
    return frozenset(name for pair in room.subwoofer_pairs for name in (pair.front, pair.rear))


def equals_of_sets(room: Room) -> Iterator[tuple[str, list[Position]]]:
    """(coherent set, its members of one role): those that are meant to be alike. Steered pairs are left out."""
    left_out = steered(room)
    for group in room.groups.values():
        if not group.together:
            continue
        by_role: dict[str, list[Position]] = defaultdict(list)
        for name in group.positions:
            member = room.positions[name]
            if name not in left_out and not member.life_safety:
                by_role[member.role].append(member)
        yield from ((group.name, members) for members in by_role.values() if len(members) > 1)


def by_place(design: Design, positions: Iterable[Position], setting: str) -> Iterator[tuple[Position, str]]:
    """One position and the names of all for each line of the files, so that a group is complained of once."""
    groups: dict[tuple[Place, tuple[Silence, ...]], list[Position]] = defaultdict(list)
    for position in positions:
        place = design.version.places.place(position.room, position.name, setting)
        groups[place, position.silence].append(position)
    for members in groups.values():
        yield members[0], some([member.name for member in members])
