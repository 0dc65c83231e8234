"""Responses of what positions are given: the peak of an EQ, and what a low-pass and a high-pass sum to."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from fleet.acoustics.biquads import Floats
from fleet.acoustics.fitting import interpolated_db
from fleet.acoustics.response import magnitude_db
from fleet.acoustics.ways import Way, summed_db
from fleet.model.settings import Band, Crossover
from fleet.model.venue import Position, TargetCurve
from fleet.reconcile.chains import crossover_sections, eq_sections, grid_hz, usable_hz

USUAL_RATE_HZ: Final = 48_000.0
"""For devices that have not told theirs."""
HIGHEST_SHARE: Final = 0.45
"""Of the sample rate, up to which filters still have their shape (common practice, no published source)."""
_AROUND_OCTAVES: Final = np.arange(-24, 25) / 24


@dataclass(frozen=True, slots=True)
class Equaliser:
    """What shapes an output: bands, and the target curve under them where there is one."""

    bands: tuple[Band, ...]
    target: TargetCurve | None = None

    @classmethod
    def of(cls, position: Position) -> Equaliser | None:
        """That of a position; `None` where it is not managed or empty."""
        if not position.fixed.eq and position.target is None:
            return None
        return cls(position.fixed.eq or (), position.target)


@lru_cache(maxsize=2048)
def largest_boost(eq: Equaliser, sample_rate_hz: float = USUAL_RATE_HZ) -> tuple[float, float]:
    """(dB, Hz) where an equaliser lifts most; 0 dB where it lifts nothing."""
    points = eq.target.points if eq.target else ()
    marks = usable_hz([*(band.frequency_hz for band in eq.bands), *(at_hz for at_hz, _ in points)], sample_rate_hz)
    frequencies = np.union1d(grid_hz(sample_rate_hz), marks)
    gains = magnitude_db(eq_sections([eq.bands], sample_rate_hz)[0], frequencies, sample_rate_hz)
    gains = gains + interpolated_db(points, frequencies) if points else gains
    highest = int(np.argmax(gains))
    return max(0.0, float(gains[highest])), float(frequencies[highest])


@lru_cache(maxsize=2048)
def crossover_sum(low: Crossover, high: Crossover | None, *, inverted: bool = False) -> tuple[float, float]:
    """(dB, Hz) where a low-pass and a high-pass (`None`: full-range) sum to what is farthest from flat.

    Looked for an octave around the low-pass's corner; equal levels, in time, at the usual sample rate.
    """
    around = usable_hz([low.frequency_hz], USUAL_RATE_HZ) * 2.0**_AROUND_OCTAVES
    frequencies = around[around < HIGHEST_SHARE * USUAL_RATE_HZ]
    sums = _summed(low, high, inverted, frequencies)
    farthest = int(np.argmax(np.abs(sums)))
    return float(sums[farthest]), float(frequencies[farthest])


def crossover_sum_at_corner(low: Crossover, high: Crossover | None, *, inverted: bool = False) -> float:
    """dB at the low-pass's corner frequency."""
    return float(_summed(low, high, inverted, usable_hz([low.frequency_hz], USUAL_RATE_HZ))[0])


def _summed(low: Crossover, high: Crossover | None, inverted: bool, frequencies: Floats) -> Floats:
    below = Way(crossover_sections("low_pass", [low], USUAL_RATE_HZ)[0], inverted=inverted)
    above = Way(crossover_sections("high_pass", [high], USUAL_RATE_HZ)[0]) if high else Way()
    return summed_db([below, above], frequencies, USUAL_RATE_HZ)
