"""Filter chains of settings as sections that `fleet.acoustics` computes with, many outputs at once.

What a device reports is not trusted to be computable: numbers are kept inside what a filter can be.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from fleet.acoustics import biquads
from fleet.acoustics.biquads import Floats
from fleet.acoustics.crossovers import Kind, crossover, exists
from fleet.acoustics.grid import r80_between
from fleet.errors import BadInput
from fleet.model.settings import Band, Crossover, Shape

FLOOR_DB: Final = -40.0
"""Below this a filter's response is nothing."""
LOWEST_HZ: Final = 1.0
UNDER_NYQUIST: Final = 0.499
LARGEST_GAIN_DB: Final = 120.0
SHAPES: Final[tuple[Shape, ...]] = ("bell", "low_shelf", "high_shelf", "notch", "all_pass")
SHAPE_CODES: Final[dict[str, int]] = {shape: code for code, shape in enumerate(SHAPES)}


def grid_hz(sample_rate_hz: float) -> Floats:
    """The R80 grid as far as a sample rate carries it."""
    return r80_between(0.0, UNDER_NYQUIST * sample_rate_hz)


def eq_sections(chains: Sequence[Sequence[Band]], sample_rate_hz: float) -> Floats:
    """Sections of many equalisers, shape (chains, most bands, 6); shorter ones are filled up with rows of no effect."""
    counts = [len(chain) for chain in chains]
    sections = np.tile(np.array(biquads.IDENTITY), (len(chains), max(counts, default=0), 1))
    bands = [band for chain in chains for band in chain]
    row = np.repeat(np.arange(len(chains)), counts)
    column = np.array([index for count in counts for index in range(count)], dtype=np.intp)
    shape = np.array([SHAPE_CODES[band.shape] for band in bands], dtype=np.intp)
    frequency_hz = usable_hz([band.frequency_hz for band in bands], sample_rate_hz)
    gain_db = np.clip([band.gain_db for band in bands], -LARGEST_GAIN_DB, LARGEST_GAIN_DB)
    q = np.clip([band.q for band in bands], 1e-3, 1e3)
    for code in np.unique(shape):
        own = shape == code
        sections[row[own], column[own]] = _rows(SHAPES[code], frequency_hz[own], gain_db[own], q[own], sample_rate_hz)
    return sections


def crossover_sections(kind: Kind, filters: Sequence[Crossover], sample_rate_hz: float) -> Floats:
    """Sections of filters of one family and slope, shape (filters, sections, 6). Raises `BadInput` if none is such."""
    first = filters[0]
    if not exists(first.family, first.slope_db_per_octave):
        raise BadInput(f"there is no {first.family} filter of {first.slope_db_per_octave} dB per octave")
    corners_hz = usable_hz([f.frequency_hz for f in filters], sample_rate_hz)
    return crossover(kind, first.family, first.slope_db_per_octave, corners_hz, sample_rate_hz)


def usable_hz(frequencies_hz: Sequence[float], sample_rate_hz: float) -> Floats:
    """Frequencies kept between 1 Hz and just under half the sample rate."""
    usable: Floats = np.clip(np.array(frequencies_hz, dtype=np.float64), LOWEST_HZ, UNDER_NYQUIST * sample_rate_hz)
    return usable


def _rows(shape: Shape, frequency_hz: Floats, gain_db: Floats, q: Floats, sample_rate_hz: float) -> Floats:
    match shape:
        case "bell":
            return biquads.bell(frequency_hz, gain_db, q, sample_rate_hz)
        case "low_shelf":
            return biquads.low_shelf(frequency_hz, gain_db, q, sample_rate_hz)
        case "high_shelf":
            return biquads.high_shelf(frequency_hz, gain_db, q, sample_rate_hz)
        case "notch":
            return biquads.notch(frequency_hz, q, sample_rate_hz)
        case "all_pass":
            return biquads.all_pass(frequency_hz, q, sample_rate_hz)
