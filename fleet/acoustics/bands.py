"""Octaves and their fractions: exact mid-bands, their edges, nominal names, and ticks for plots.

Sources: IEC 61260-1:2014, 5.2 to 5.5 (octave ratio 10^(3/10), reference 1 kHz, mid-bands and edges for odd and even
numbers of bands an octave); ISO 266:1997 (preferred frequencies, the R10 series, and every third for octaves).
"""

from __future__ import annotations

import math
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike

from fleet.acoustics.arguments import positive
from fleet.acoustics.biquads import Floats

OCTAVE_RATIO: Final = 10**0.3
REFERENCE_HZ: Final = 1000.0

_R10: Final = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)


def midband_hz(index: ArrayLike, per_octave: int) -> Floats:
    """Exact mid-band frequency of a band; index 0 is 1 kHz for odd `per_octave`, half a band above it for even."""
    _check_fraction(per_octave)
    x = np.asarray(index, dtype=np.int64)
    exponent = x / per_octave if per_octave % 2 else (2 * x + 1) / (2 * per_octave)
    exact: Floats = REFERENCE_HZ * OCTAVE_RATIO**exponent
    return exact


def midbands_hz(low_hz: float, high_hz: float, per_octave: int) -> Floats:
    """All exact mid-bands whose band holds or lies between the two frequencies, ascending."""
    _check_range(low_hz, high_hz)
    return midband_hz(np.arange(band_index(low_hz, per_octave), band_index(high_hz, per_octave) + 1), per_octave)


def band_index(frequency_hz: float, per_octave: int) -> int:
    """Index of the band that holds a frequency; an edge belongs to the band above it."""
    _check_fraction(per_octave)
    positive("frequency_hz", frequency_hz)
    octaves = math.log10(frequency_hz / REFERENCE_HZ) / 0.3
    return math.floor(octaves * per_octave + (0.5 if per_octave % 2 else 0.0) + 1e-9)


def band_edges_hz(midband_hz: ArrayLike, per_octave: int) -> tuple[Floats, Floats]:
    """Lower and upper edge of a band from its exact mid-band: fm * G^(-+1 / (2 b))."""
    _check_fraction(per_octave)
    middle = positive("midband_hz", midband_hz)
    half = OCTAVE_RATIO ** (1 / (2 * per_octave))
    return middle / half, middle * half


def nominal_hz(index: int, per_octave: Literal[1, 3] = 3) -> float:
    """The preferred frequency of ISO 266 that names an octave or third-octave band."""
    _check_named(per_octave)
    decade, step = divmod(index * (3 // per_octave), 10)
    # Rounding takes off what the power of ten adds in the last digit.
    return float(f"{_R10[step] * REFERENCE_HZ * 10.0**decade:.4g}")


def nearest_nominal_hz(frequency_hz: float, per_octave: Literal[1, 3] = 3) -> float:
    """The preferred frequency of ISO 266 at the smallest ratio to a frequency."""
    _check_named(per_octave)
    index = band_index(frequency_hz, per_octave)
    near = (nominal_hz(index + step, per_octave) for step in (-1, 0, 1))
    return min(near, key=lambda nominal: abs(math.log(nominal / frequency_hz)))


def exact_of_nominal_hz(nominal: float, per_octave: Literal[1, 3] = 3) -> float:
    """The exact mid-band that a preferred frequency names: 3150 is 3162.28 Hz; any other frequency is refused."""
    _check_named(per_octave)
    index = band_index(nominal, per_octave)
    if not math.isclose(nominal_hz(index, per_octave), nominal, rel_tol=1e-9):
        raise ValueError(f"nominal must be a preferred frequency of ISO 266, which {nominal:g} Hz is not")
    return float(midband_hz(index, per_octave))


def ticks_hz(low_hz: float, high_hz: float, per_octave: Literal[1, 3] = 1) -> tuple[float, ...]:
    """Preferred frequencies for the axis of a plot, both ends included where they are preferred ones."""
    _check_named(per_octave)
    _check_range(low_hz, high_hz)
    first, last = band_index(low_hz, per_octave) - 1, band_index(high_hz, per_octave) + 1
    named = (nominal_hz(index, per_octave) for index in range(first, last + 1))
    return tuple(nominal for nominal in named if low_hz <= nominal <= high_hz)


def tick_label(frequency_hz: float) -> str:
    """A frequency as it stands on an axis: 31.5, 500, 1k, 3.15k."""
    positive("frequency_hz", frequency_hz)
    return f"{frequency_hz / 1000:.4g}k" if frequency_hz >= 1000 else f"{frequency_hz:.4g}"


def _check_fraction(per_octave: int) -> None:
    positive("per_octave", per_octave)
    if per_octave != int(per_octave):
        raise ValueError(f"per_octave must be a whole number, not {per_octave:g}")


def _check_named(per_octave: int) -> None:
    if per_octave not in {1, 3}:
        raise ValueError(f"per_octave must be 1 or 3, for other bands have no names in ISO 266, not {per_octave}")


def _check_range(low_hz: float, high_hz: float) -> None:
    positive("low_hz", low_hz)
    positive("high_hz", high_hz)
    if low_hz > high_hz:
        raise ValueError(f"low_hz must not exceed high_hz, but {low_hz:g} Hz does exceed {high_hz:g} Hz")
