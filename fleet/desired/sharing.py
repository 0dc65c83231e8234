"""What positions of one device must agree on, across rooms: one output serves one position, one device has one slot."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from typing import Final

from fleet.model.settings import DEVICE_SETTINGS
from fleet.model.venue import Position, Room

ANY_MODEL: Final = "*"


def output_shared(positions: Iterable[Position]) -> Iterator[tuple[Position, Position]]:
    """(first, another) for each position whose device and output are already another's."""
    first: dict[tuple[str, int], Position] = {}
    for position in positions:
        owner = first.setdefault((position.device, position.output), position)
        if owner is not position:
            yield owner, position


def device_disputed(positions: Iterable[Position]) -> Iterator[tuple[Position, Position, str]]:
    """(one, another, setting) where two positions of a device want different things of the whole device."""
    by_device: dict[str, list[Position]] = defaultdict(list)
    for position in positions:
        by_device[position.device].append(position)
    for sharers in by_device.values():
        for setting in ("slot", *DEVICE_SETTINGS):
            yield from _disputed(sharers, setting)


def disputed_in_modes(
    rooms: Mapping[str, Room], models: Mapping[str, str] | None = None
) -> Iterator[tuple[str, str, Position, Position, str]]:
    """(room, mode, one, another, setting) of what is disputed in a mode only, rooms that go along being in theirs.

    With `models` by device, slots count as these devices have them; of others only what no model would be right for.
    """
    if not any(room.modes for room in rooms.values()):
        return
    serving: dict[str, list[tuple[str, str]]] = defaultdict(list)
    for room in rooms.values():
        for position in room.positions.values():
            serving[position.device].append((room.name, position.name))
    for name, room in rooms.items():
        devices = [d for d in dict.fromkeys(p.device for p in room.positions.values()) if len(serving[d]) > 1]
        for mode, one in room.modes.items():
            inside = {name: mode, **one.together_with}
            for device in devices:
                plain = [rooms[r].positions[p] for r, p in serving[device]]
                known = {(a.room, a.name, b.room, b.name, s) for a, b, s in device_disputed(plain)}
                there = [_in(rooms[r], inside.get(r)).get(p, rooms[r].positions[p]) for r, p in serving[device]]
                for a, b, setting in device_disputed(there):
                    new = (a.room, a.name, b.room, b.name, setting) not in known
                    if new and (setting != "slot" or not _may_agree(a, b, (models or {}).get(device))):
                        yield name, mode, a, b, setting


def _may_agree(one: Position, other: Position, model: str | None) -> bool:
    """Whether a device of this model, or of any where it is not known, is in one slot for both."""
    models = {ANY_MODEL, *one.slots, *other.slots} if model is None else {model}
    pairs = [(one.slot_for(each), other.slot_for(each)) for each in models]
    return any(a == b and a is not None for a, b in pairs) or all(None in pair for pair in pairs)


def _in(room: Room, mode: str | None) -> Mapping[str, Position]:
    return room.modes[mode].positions if mode is not None and mode in room.modes else room.positions


def _disputed(sharers: list[Position], setting: str) -> Iterator[tuple[Position, Position, str]]:
    """Each position against the first that wants anything; what is not managed disputes nothing."""
    first: Position | None = None
    for position in sharers:
        wanted = position.slots if setting == "slot" else getattr(position, setting)
        if wanted is None or wanted == {}:
            continue
        if first is None:
            first = position
        elif _differ(first, position, setting):
            yield first, position, setting


def _differ(one: Position, other: Position, setting: str) -> bool:
    if setting != "slot":
        return bool(getattr(one, setting) != getattr(other, setting))
    models = {ANY_MODEL, *one.slots, *other.slots}
    pairs = [(one.slot_for(model), other.slot_for(model)) for model in models]
    return any(a != b for a, b in pairs if a is not None and b is not None)
