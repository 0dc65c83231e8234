"""Where a position is, as seen from the listening point. Pure.

Coordinates are x, y, z in m: x from the stage into the room, y to the right as the audience looks at the stage, z up.
"""

from __future__ import annotations

from dataclasses import dataclass

from fleet.acoustics.delay import distance_m
from fleet.model.venue import Point, Position, Room


@dataclass(frozen=True, slots=True, kw_only=True)
class Whereabouts:
    """A position as seen from the listening point; a negative figure leads the other way."""

    distance_m: float
    ahead_m: float
    right_m: float
    above_m: float


def whereabouts(room: Room, position: Position) -> Whereabouts | None:
    """Where a position is; `None` without its coordinates or without a listening point.

    The room's listening point goes before the position's own, for that is where people know their way from.
    """
    ear = listening_point(room, position)
    if position.at_m is None or ear is None:
        return None
    (x, y, z), (ear_x, ear_y, ear_z) = position.at_m, ear
    return Whereabouts(
        distance_m=float(distance_m(position.at_m, ear)), ahead_m=ear_x - x, right_m=y - ear_y, above_m=z - ear_z
    )


def listening_point(room: Room, position: Position) -> Point | None:
    """The listening point that a position is seen from."""
    return room.listen_at_m or position.listen_at_m
