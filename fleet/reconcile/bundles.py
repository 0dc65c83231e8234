"""Rooms that are to come into modes, sorted into those that must do so together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from fleet.model.days import HOUSE_MODE
from fleet.model.venue import Venue
from fleet.reconcile.modes import brought


@dataclass(frozen=True, slots=True, kw_only=True)
class Bundle:
    """Modes that are brought about in one change: those asked for, and those of all rooms that come along."""

    wanted: Mapping[str, str]
    brings: Mapping[str, str]
    devices: frozenset[str]
    """Devices that serve the rooms then, without those of life safety."""


def bundles(venue: Venue, present: Mapping[str, str], wanted: Mapping[str, str]) -> tuple[Bundle, ...]:
    """The modes wanted of rooms, together where rooms go along with each other or share a device.

    `venue` is one without modes, `present` are those that stand. A room or mode that it has not is passed over.
    """
    found: list[Bundle] = []
    for room, mode in sorted(wanted.items()):
        if room not in venue.rooms or mode not in (HOUSE_MODE, *venue.rooms[room].modes):
            continue
        one = _alone(venue, present, room, mode)
        for other in [b for b in found if b.devices & one.devices or b.brings.keys() & one.brings.keys()]:
            found.remove(other)
            one = Bundle(
                wanted={**other.wanted, **one.wanted},
                brings={**other.brings, **one.brings},
                devices=other.devices | one.devices,
            )
        found.append(one)
    return tuple(found)


def _alone(venue: Venue, present: Mapping[str, str], room: str, mode: str) -> Bundle:
    brings = brought(venue.in_modes(present), {room: mode}).then
    rooms = venue.in_modes({**present, **brings}).rooms
    served = [position for name in brings for position in rooms[name].positions.values()]
    return Bundle(wanted={room: mode}, brings=brings, devices=frozenset(p.device for p in served if not p.life_safety))
