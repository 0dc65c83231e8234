"""The frequency grid that responses are compared on: R80, 80 points a decade with 1 kHz on it.

It is the preferred-number grid 1000 * 10^(k/80) Hz, 1/24 octave in base 10; every eighth point is an exact third-octave
midband of IEC 61260-1 (base 10), whose rounded names are the preferred frequencies of ISO 266.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from fleet.acoustics.biquads import Floats

R80_HZ: Final[Floats] = 1000.0 * 10.0 ** (np.arange(-136, 105) / 80)
"""All 241 points, 19.95 Hz to 19 952.6 Hz. Read-only."""
R80_HZ.flags.writeable = False


def r80_between(low_hz: float, high_hz: float) -> Floats:
    """The points of the grid from `low_hz` to `high_hz`, both included."""
    first, last = np.searchsorted(R80_HZ, low_hz, "left"), np.searchsorted(R80_HZ, high_hz, "right")
    return R80_HZ[first:last]
