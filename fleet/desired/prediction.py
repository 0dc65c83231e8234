"""The level to be expected at a point: free field, on axis, calculated. Not a measurement.

Level at 1 m and `level_db`, less 20 lg of the distance and what air takes at 1 kHz (ISO 9613-1, 50 % humidity). A boost
by EQ is not added: it raises single bands, not the level of a programme. Members of a coherent set add in phase,
everything else by energy.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from fleet.acoustics.air import absorption_db_per_m
from fleet.acoustics.delay import distance_m
from fleet.acoustics.level import distance_gain_db
from fleet.acoustics.sums import coherent_sum_db, incoherent_sum_db
from fleet.model.venue import Point, Position, Room

PROGRAMME_HZ: Final = 1000.0
NEAREST_M: Final = 1.0
"""Closer than this a box is no point source; it is taken to be as far away."""


@dataclass(frozen=True, slots=True)
class Prediction:
    """A level at a point."""

    at_m: Point
    level_db: float


def level_at_1m_db(position: Position) -> float | None:
    """Level at 1 m on axis, the highest that an allowed range permits; `None` where it is not known or muted."""
    allowed = position.between.get("level_db")
    level = allowed.high if allowed else position.fixed.level_db
    if position.loudspeaker is None or level is None or position.fixed.mute:
        return None
    return position.loudspeaker.level_at_1m_db + level


def predictions(room: Room) -> list[Prediction]:
    """The level at each listening point of a room, its own first; none where no level is known."""
    sources = [
        _Source(f"group {p.coherent[0]}" if p.coherent else p.name, level, p.at_m)
        for p in room.positions.values()
        if (level := level_at_1m_db(p)) is not None and p.at_m is not None
    ]
    points = dict.fromkeys([room.listen_at_m, *(position.listen_at_m for position in room.positions.values())])
    air_db_per_m = float(absorption_db_per_m(PROGRAMME_HZ, room.air_temperature_c))
    return [Prediction(point, _level_db(sources, point, air_db_per_m)) for point in points if point and sources]


class _Source(NamedTuple):
    set_name: str
    level_at_1m_db: float
    at_m: Point


def _level_db(sources: list[_Source], point: Point, air_db_per_m: float) -> float:
    distances = np.maximum(NEAREST_M, [distance_m(source.at_m, point) for source in sources])
    levels = [source.level_at_1m_db for source in sources] + distance_gain_db(distances) - air_db_per_m * distances
    sets: dict[str, list[float]] = defaultdict(list)
    for source, level in zip(sources, levels, strict=True):
        sets[source.set_name].append(float(level))
    return float(incoherent_sum_db([float(coherent_sum_db(together)) for together in sets.values()]))
