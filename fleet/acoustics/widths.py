"""Ways to state the width of a filter: bandwidth in octaves, shelf slope, Q.

Source: R. Bristow-Johnson, "Audio EQ Cookbook", W3C Working Group Note, 8 June 2021, definitions of alpha. A bell's
bandwidth lies between the two frequencies of half its gain in dB, a notch's between its -3 dB points. Front panels
print the analogue relation, which has no sample rate; the digital one allows for the bilinear transform's warping.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from fleet.acoustics.arguments import below_nyquist, finite, positive
from fleet.acoustics.biquads import Floats


def q_of_bandwidth(bandwidth_octaves: ArrayLike) -> Floats:
    """1 / Q = 2 sinh(ln(2) / 2 * BW), the analogue prototype: a third octave is Q 4.318, an octave Q 1.414."""
    q: Floats = 1 / (2 * np.sinh(np.log(2) / 2 * positive("bandwidth_octaves", bandwidth_octaves)))
    return q


def bandwidth_of_q(q: ArrayLike) -> Floats:
    """Bandwidth in octaves of the analogue prototype."""
    octaves: Floats = 2 / np.log(2) * np.arcsinh(1 / (2 * positive("q", q)))
    return octaves


def digital_q_of_bandwidth(bandwidth_octaves: ArrayLike, frequency_hz: ArrayLike, sample_rate_hz: float) -> Floats:
    """1 / Q = 2 sinh(ln(2) / 2 * BW * w0 / sin(w0)): the filter has that bandwidth, nearly, at its sample rate."""
    bandwidth = positive("bandwidth_octaves", bandwidth_octaves)
    return q_of_bandwidth(bandwidth * _warping(frequency_hz, sample_rate_hz))


def digital_bandwidth_of_q(q: ArrayLike, frequency_hz: ArrayLike, sample_rate_hz: float) -> Floats:
    """Bandwidth in octaves that a filter of this Q has at its sample rate, nearly: narrower towards half of it."""
    octaves: Floats = bandwidth_of_q(q) / _warping(frequency_hz, sample_rate_hz)
    return octaves


def q_of_shelf_slope(slope: ArrayLike, gain_db: ArrayLike) -> Floats:
    """1 / Q = sqrt((A + 1/A) (1/S - 1) + 2): S = 1 is the steepest shelf without a bump, Q = 0.707 at every gain.

    Above 1 a slope exists only as long as the root does; the steeper ones raise `ValueError`.
    """
    inside = _balance(gain_db) * (1 / positive("slope", slope) - 1) + 2
    if not np.all(inside > 0):
        raise ValueError("slope is too steep for this gain_db: no shelf has it")
    q: Floats = 1 / np.sqrt(inside)
    return q


def shelf_slope_of_q(q: ArrayLike, gain_db: ArrayLike) -> Floats:
    """The cookbook's S of a shelf given by its Q: 1 / S = (1/Q² - 2) / (A + 1/A) + 1."""
    slope: Floats = 1 / ((1 / positive("q", q) ** 2 - 2) / _balance(gain_db) + 1)
    return slope


def _warping(frequency_hz: ArrayLike, sample_rate_hz: float) -> Floats:
    """w0 / sin(w0), 1 at low frequencies and more towards half the sample rate."""
    below_nyquist("frequency_hz", frequency_hz, sample_rate_hz)
    w0 = 2 * np.pi * positive("frequency_hz", frequency_hz) / sample_rate_hz
    warping: Floats = w0 / np.sin(w0)
    return warping


def _balance(gain_db: ArrayLike) -> Floats:
    """A + 1/A with A = 10^(gain / 40)."""
    amplitude = 10 ** (finite("gain_db", gain_db) / 40)
    balance: Floats = amplitude + 1 / amplitude
    return balance
