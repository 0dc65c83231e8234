"""Several ways (a sub and a top, say) heard together: complex sum with their filters, polarity, delay and level.

On one axis, equal distances, equally loud but for `level_db`: the electrical sum. For loudspeakers it is right where
their own responses overlap flat. Source: superposition; S. Linkwitz, JAES 24(1), 1976, for what crossovers sum to.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from fleet.acoustics.arguments import below_nyquist, finite
from fleet.acoustics.biquads import Floats
from fleet.acoustics.response import Complexes, complex_response, db_of_power


@dataclass(frozen=True, slots=True, eq=False)
class Way:
    """One output's settings: `sections` of shape (S, 6), none for a full-range way."""

    sections: Floats = field(default_factory=lambda: np.empty((0, 6)))
    level_db: float = 0.0
    delay_ms: float = 0.0
    inverted: bool = False

    def __post_init__(self) -> None:
        if self.sections.ndim != 2 or self.sections.shape[1] != 6:
            raise ValueError(f"sections must have rows of six coefficients, not the shape {self.sections.shape}")
        if self.sections.size:
            finite("sections", self.sections)
        finite("level_db", self.level_db)
        finite("delay_ms", self.delay_ms)


def way_response(way: Way, frequencies_hz: ArrayLike, sample_rate_hz: float) -> Complexes:
    """What one way does to level and phase at frequencies of shape (F,)."""
    frequencies = np.atleast_1d(below_nyquist("frequencies_hz", frequencies_hz, sample_rate_hz))
    factor = 10 ** (way.level_db / 20) * (-1 if way.inverted else 1)
    turned = np.exp(-2j * np.pi * frequencies * way.delay_ms / 1000)
    response: Complexes = factor * turned * complex_response(way.sections, frequencies, sample_rate_hz)
    return response


def summed_db(ways: Sequence[Way], frequencies_hz: ArrayLike, sample_rate_hz: float) -> Floats:
    """Level of all ways together re one full-range way at 0 dB, not below -400 dB."""
    if not ways:
        raise ValueError("ways must hold at least one way")
    total = sum(way_response(way, frequencies_hz, sample_rate_hz) for way in ways)
    return db_of_power(np.abs(total) ** 2)
