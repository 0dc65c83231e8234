"""A target curve made of a few equaliser bands: which shapes, where, how much, how wide.

Each round adds the band that explains most of what is still wrong and moves all bands together to the least squares
(`fleet.acoustics.band_search`). Nothing is random: one answer for one question.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Protocol, TypeVar

import numpy as np
from numpy.typing import ArrayLike

from fleet.acoustics.arguments import finite, positive
from fleet.acoustics.band_search import FitShape, Interval, Limits, Search
from fleet.acoustics.biquads import Floats
from fleet.acoustics.grid import R80_HZ

__all__ = ["GOOD_ENOUGH_DB", "Fit", "FitShape", "FittedBand", "Limits", "best", "fit", "fits", "interpolated_db"]

GOOD_ENOUGH_DB: Final = 0.1
"""An error below this is none, and a band that gains less is not worth having."""
MOST_BANDS: Final = 12
"""More of them chase what nobody hears."""
THINNING: Final = 2
"""Bands are sought on every second point of the grid, which is fine enough, and judged on all."""


@dataclass(frozen=True, slots=True)
class FittedBand:
    """One band of a fit; `q` is the cookbook's."""

    shape: FitShape
    frequency_hz: float
    gain_db: float
    q: float


@dataclass(frozen=True, slots=True)
class Fit:
    """Bands in the order of their frequencies, and where their sum is furthest from the target, in dB without sign."""

    bands: tuple[FittedBand, ...]
    worst_error_db: float
    worst_at_hz: float


class Judged(Protocol):
    """Anything with a worst error."""

    @property
    def worst_error_db(self) -> float:
        """How far off it is at its worst, in dB without sign."""


F = TypeVar("F", bound=Judged)


def fit(
    target_db: ArrayLike, sample_rate_hz: float, *, passband_hz: Interval, most_bands: int, limits: Limits | None = None
) -> Fit:
    """The best of `fits`: never worse with more bands allowed, and without bands that gain next to nothing."""
    return best(fits(target_db, sample_rate_hz, passband_hz=passband_hz, most_bands=most_bands, limits=limits))


def best(found: Iterator[F]) -> F:
    """The first fit that no later one betters by more than next to nothing."""
    result = next(found)
    for other in found:
        if other.worst_error_db < result.worst_error_db - GOOD_ENOUGH_DB:
            result = other
    return result


def fits(
    target_db: ArrayLike, sample_rate_hz: float, *, passband_hz: Interval, most_bands: int, limits: Limits | None = None
) -> Iterator[Fit]:
    """Fits of 0, 1, 2... bands to a target given on the whole R80 grid, until one is good enough.

    Errors count inside the passband. Outside it the fit is free, but is kept from rising above the target's highest
    value (and 0 dB). Raises `ValueError` for a passband without a point of the grid below half the sample rate.
    """
    target = finite("target_db", target_db)
    if target.shape != R80_HZ.shape:
        raise ValueError(f"target_db must hold {len(R80_HZ)} numbers, one for each point of the R80 grid")
    whole, search = (
        Search.of(target[part], R80_HZ[part], sample_rate_hz, passband_hz=passband_hz, limits=limits or Limits())
        for part in (slice(None), slice(None, None, THINNING))
    )
    shapes: list[FitShape] = []
    values = np.empty((0, 3))
    while True:
        found = _fit(whole, shapes, values)
        yield found
        enough = len(shapes) >= min(most_bands, MOST_BANDS) or not search.limits.shapes
        if enough or found.worst_error_db <= GOOD_ENOUGH_DB:
            return
        shapes, values = search.with_one_more(shapes, values)


def interpolated_db(points: Sequence[tuple[float, float]], frequencies_hz: ArrayLike) -> Floats:
    """A curve through points (Hz, dB): straight in dB over log frequency between them, flat outside."""
    at_hz, values_db = np.array(sorted(points), dtype=np.float64).reshape(-1, 2).T
    logs = np.log(positive("frequencies_hz", frequencies_hz))
    values: Floats = np.interp(logs, np.log(positive("points", at_hz)), finite("points", values_db))
    return values


def _fit(search: Search, shapes: Sequence[FitShape], values: Floats) -> Fit:
    """Bands of a search with their worst error."""
    off_db = np.abs(search.off_db(shapes, values))
    worst = int(np.argmax(off_db))
    bands = (
        FittedBand(shape, float(np.exp(row[0])), float(row[1]), float(q))
        for shape, row, q in zip(shapes, values, search.cookbook_q(shapes, values), strict=True)
    )
    return Fit(
        bands=tuple(sorted(bands, key=lambda band: band.frequency_hz)),
        worst_error_db=float(off_db[worst]),
        worst_at_hz=float(search.grid_hz[search.inside][worst]),
    )
