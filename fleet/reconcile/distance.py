"""How far apart the responses of two filter chains are, for thousands of pairs at once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias, cast

import numpy as np
from numpy.typing import NDArray

from fleet.acoustics.biquads import Floats
from fleet.acoustics.response import complex_response, power
from fleet.model.settings import Band, Crossover
from fleet.reconcile.chains import FLOOR_DB, crossover_sections, eq_sections, grid_hz, usable_hz

PHASE_FLOOR_DB: Final = -20.0
SAME_DB: Final = 0.01
"""Responses closer than this are one."""
ON_THE_GRID_HZ: Final = 1000.0
ROWS: Final = 500
"""Pairs worked on at once, to bound memory."""

ChainSetting = Literal["eq", "high_pass", "low_pass"]
Chain: TypeAlias = tuple[Band, ...] | Crossover


@dataclass(frozen=True, slots=True)
class ChainPair:
    """Two lists of bands, or two crossover filters of one family and slope, of one output."""

    setting: ChainSetting
    sample_rate_hz: float
    passband_hz: tuple[float, float]
    wanted: Chain
    found: Chain
    coherent: bool = False
    """Whether phase counts, besides where it is all that differs."""


@dataclass(frozen=True, slots=True)
class ChainDistance:
    """Where two responses are furthest apart. dB are found minus wanted, of responses floored at -40 dB.

    Both are over the R80 grid, band centres and corners: `inside` the passband, and `outside` it. Phase is in degrees,
    0 to 180, in the passband where both responses are above -20 dB; 0 where not computed.
    """

    inside_db: float
    inside_hz: float
    outside_db: float
    outside_hz: float
    phase_deg: float
    phase_hz: float


def chain_distances(pairs: Sequence[ChainPair]) -> list[ChainDistance]:
    """The distance of each pair, in their order. Pairs of one sample rate and kind are computed together."""
    groups: dict[tuple[object, ...], list[int]] = {}
    for index, pair in enumerate(pairs):
        wanted = pair.wanted
        kind = (wanted.family, wanted.slope_db_per_octave) if isinstance(wanted, Crossover) else ()
        groups.setdefault((pair.sample_rate_hz, pair.setting, *kind), []).append(index)
    found: dict[int, ChainDistance] = {}
    for indices in groups.values():
        for start in range(0, len(indices), ROWS):
            part = indices[start : start + ROWS]
            found.update(zip(part, _distances([pairs[index] for index in part]), strict=True))
    return [found[index] for index in range(len(pairs))]


def _distances(pairs: Sequence[ChainPair]) -> Iterator[ChainDistance]:
    rate_hz = pairs[0].sample_rate_hz
    wanted, found = _sections(pairs, "wanted"), _sections(pairs, "found")
    shared_hz = grid_hz(rate_hz)
    centres_hz = _centres_hz(pairs, rate_hz)
    points_hz = np.hstack([np.broadcast_to(shared_hz, (len(pairs), len(shared_hz))), centres_hz])
    low_hz, high_hz = np.array([pair.passband_hz for pair in pairs]).T[:, :, None]
    inside = (points_hz >= low_hz) & (points_hz <= high_hz)

    floor = 10 ** (FLOOR_DB / 10)
    ratio = np.hstack(
        [
            np.maximum(power(found, at_hz, rate_hz), floor) / np.maximum(power(wanted, at_hz, rate_hz), floor)
            for at_hz in (shared_hz, centres_hz)
        ]
    )
    apart_db = 10 * np.log10(ratio)
    inside_db, inside_hz = _furthest(apart_db, inside, points_hz)
    outside_db, outside_hz = _furthest(apart_db, ~inside, points_hz)

    silent = (np.abs(inside_db) < SAME_DB) & (np.abs(outside_db) < SAME_DB)
    asked = np.flatnonzero(silent | np.array([pair.coherent for pair in pairs]))
    phase_deg, phase_hz = np.zeros(len(pairs)), np.zeros(len(pairs))
    if len(asked):
        apart_deg = _phase_apart_deg(wanted[asked], found[asked], points_hz[asked], rate_hz)
        phase_deg[asked], phase_hz[asked] = _furthest(apart_deg, inside[asked], points_hz[asked])
    columns = (inside_db, inside_hz, outside_db, outside_hz, phase_deg, phase_hz)
    return (ChainDistance(*row) for row in zip(*(column.tolist() for column in columns), strict=True))


def _sections(pairs: Sequence[ChainPair], side: Literal["wanted", "found"]) -> Floats:
    setting, rate_hz = pairs[0].setting, pairs[0].sample_rate_hz
    values = [getattr(pair, side) for pair in pairs]
    if setting == "eq":
        return eq_sections(cast("list[tuple[Band, ...]]", values), rate_hz)
    return crossover_sections(setting, cast("list[Crossover]", values), rate_hz)


def _centres_hz(pairs: Sequence[ChainPair], rate_hz: float) -> Floats:
    """Centres and corners of both sides, a row a pair; filled up with a point of the grid, which adds nothing."""
    rows = [[*_corners_hz(pair.wanted), *_corners_hz(pair.found)] for pair in pairs]
    longest = max(map(len, rows))
    filled = [row + [ON_THE_GRID_HZ] * (longest - len(row)) for row in rows]
    return usable_hz([hz for row in filled for hz in row], rate_hz).reshape(len(pairs), longest)


def _corners_hz(value: Chain) -> list[float]:
    return [value.frequency_hz] if isinstance(value, Crossover) else [band.frequency_hz for band in value]


def _furthest(apart: Floats, where: NDArray[np.bool_], points_hz: Floats) -> tuple[Floats, Floats]:
    """The value that is furthest from 0 in each row, among those asked for, and its frequency; 0 where none is."""
    masked = np.where(where, apart, 0.0)
    at = np.argmax(np.abs(masked), axis=1)[:, None]
    return np.take_along_axis(masked, at, axis=1)[:, 0], np.take_along_axis(points_hz, at, axis=1)[:, 0]


def _phase_apart_deg(wanted: Floats, found: Floats, points_hz: Floats, rate_hz: float) -> Floats:
    one, other = complex_response(wanted, points_hz, rate_hz), complex_response(found, points_hz, rate_hz)
    heard = np.minimum(np.abs(one), np.abs(other)) >= 10 ** (PHASE_FLOOR_DB / 20)
    apart: Floats = np.where(heard, np.abs(np.degrees(np.angle(other * np.conj(one)))), 0.0)
    return apart
