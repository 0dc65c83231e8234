"""Comb filters: where a signal and its late copy cancel and add, and how deep.

Source: F. A. Everest, "Master Handbook of Acoustics", chapter on comb-filter effects: nulls at odd multiples of
1 / (2 t), peaks at multiples of 1 / t. A copy with inverted polarity exchanges them. A complete null reads -400 dB.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from fleet.acoustics.arguments import finite, positive
from fleet.acoustics.biquads import Floats
from fleet.acoustics.response import db_of_power


def nulls_hz(delay_ms: float, highest_hz: float, *, inverted: bool = False) -> Floats:
    """Frequencies of cancellation above 0 and up to `highest_hz`, ascending; none may lie there."""
    return _multiples_hz(delay_ms, highest_hz, odd=not inverted)


def peaks_hz(delay_ms: float, highest_hz: float, *, inverted: bool = False) -> Floats:
    """Frequencies of addition above 0 and up to `highest_hz`, ascending; none may lie there."""
    return _multiples_hz(delay_ms, highest_hz, odd=inverted)


def peak_db(difference_db: ArrayLike) -> Floats:
    """Top of the comb re the louder signal when the other differs by `difference_db`: 20 log10(1 + g)."""
    return db_of_power((1 + _ratio(difference_db)) ** 2)


def null_db(difference_db: ArrayLike) -> Floats:
    """Bottom of the comb re the louder signal when the other differs by `difference_db`: 20 log10(1 - g)."""
    return db_of_power((1 - _ratio(difference_db)) ** 2)


def ripple_db(difference_db: ArrayLike) -> Floats:
    """From bottom to top of the comb; under 6 dB once the copy is 10 dB lower."""
    return peak_db(difference_db) - null_db(difference_db)


def _multiples_hz(delay_ms: float, highest_hz: float, *, odd: bool) -> Floats:
    positive("delay_ms", delay_ms)
    positive("highest_hz", highest_hz)
    half_hz = 500 / delay_ms
    # A grain of tolerance keeps a frequency that lies on the limit but for rounding.
    last = int(np.floor(highest_hz / half_hz * (1 + 1e-12)))
    return half_hz * np.arange(1 if odd else 2, last + 1, 2, dtype=np.float64)


def _ratio(difference_db: ArrayLike) -> Floats:
    ratio: Floats = 10 ** (-np.abs(finite("difference_db", difference_db)) / 20)
    return ratio
