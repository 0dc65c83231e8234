"""Modes of different rooms that go together: a wall is opened, and both rooms are in the mode for that.

What one room says of another holds the other way round too. Only `house`, a room without modes, brings nobody along.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import replace

from fleet.desired.nodes import Trail
from fleet.desired.wording import hint, quoted
from fleet.model.days import HOUSE_MODE
from fleet.model.venue import Mode, Room


def join(
    rooms: Mapping[str, Room], broken: Collection[tuple[str, str]], *, all_known: bool
) -> tuple[dict[str, Room], list[tuple[str, Trail, str]]]:
    """The rooms with every mode naming all that go with it, and (room, path, what is wrong) of what cannot be.

    `broken` names (room, mode) of modes that are complained of already; without `all_known` some room could not be
    read, so that no name of a room is called unknown.
    """
    sets: dict[tuple[str, str], dict[str, str]] = {
        (name, mode): {name: mode} for name, room in rooms.items() for mode in room.modes
    }
    wrong: list[tuple[str, Trail, str]] = []
    for room, mode, other, its_mode in _said(rooms):
        path: Trail = ("modes", mode, "together_with", other)
        if text := _unknown(rooms, room, other, its_mode, broken, all_known=all_known):
            wrong.append((room, path, text))
        elif other in rooms and (its_mode == HOUSE_MODE or its_mode in rooms[other].modes):
            here, there = sets[room, mode], sets.get((other, its_mode), {other: its_mode})
            apart = next((r for r in here if r in there and here[r] != there[r]), None)
            if apart is not None:
                wrong.append((room, path, _contradiction(room, mode, other, its_mode, apart, here, there)))
                continue
            here.update(there)
            for name, one in list(here.items()):
                if one != HOUSE_MODE:
                    sets[name, one] = here
    return {name: _joined(room, sets) for name, room in rooms.items()}, wrong


def _said(rooms: Mapping[str, Room]) -> Iterator[tuple[str, str, str, str]]:
    """(room, mode, other room, its mode) for all that was written."""
    for name, room in rooms.items():
        for mode, one in room.modes.items():
            for other, its_mode in one.together_with.items():
                yield name, mode, other, its_mode


def _unknown(
    rooms: Mapping[str, Room],
    room: str,
    other: str,
    its_mode: str,
    broken: Collection[tuple[str, str]],
    *,
    all_known: bool,
) -> str:
    if other == room:
        return f"{quoted(other)} is this very room; name others"
    if other not in rooms:
        return f"unknown room {quoted(other)}{hint(other, set(rooms) - {room})}" if all_known else ""
    known = rooms[other].modes
    if its_mode == HOUSE_MODE or its_mode in known or (other, its_mode) in broken:
        return ""
    return f"room {quoted(other)} has no mode {quoted(its_mode)}{hint(its_mode, [*known, HOUSE_MODE])}"


def _contradiction(
    room: str, mode: str, other: str, its_mode: str, apart: str, here: Mapping[str, str], there: Mapping[str, str]
) -> str:
    return (
        f"mode {quoted(mode)} of room {quoted(room)} and mode {quoted(its_mode)} of room {quoted(other)} contradict: "
        f"room {quoted(apart)} is in {quoted(here[apart])} with the one and in {quoted(there[apart])} with the other"
    )


def _joined(room: Room, sets: Mapping[tuple[str, str], Mapping[str, str]]) -> Room:
    def with_all(mode: Mode) -> Mode:
        others = {name: one for name, one in sorted(sets[room.name, mode.name].items()) if name != room.name}
        return replace(mode, together_with=others)

    return replace(room, modes={name: with_all(mode) for name, mode in room.modes.items()}) if room.modes else room
