"""What positions of one device must agree on, across rooms: one output serves one position, one device has one slot."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from typing import Final

from fleet.model.settings import DEVICE_SETTINGS
from fleet.model.venue import Position

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
