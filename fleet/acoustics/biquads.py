"""Coefficients of second- and first-order digital filters.

Source: R. Bristow-Johnson, "Audio EQ Cookbook", W3C Working Group Note, 8 June 2021; first order by the bilinear
transform with the corner frequency kept. Every function takes numbers or arrays (broadcast together), frequencies in Hz
and gains in dB, and returns rows `[b0, b1, b2, 1, a1, a2]` in a last axis of 6. Frequencies at or above half the sample
rate, a `q` of 0 or less, and gains that are not finite raise `ValueError`. Other ways to state a width than `q` are in
`fleet.acoustics.widths`.

Towards half the sample rate the bilinear transform squeezes every curve: the level at the frequency itself stays, the
flanks narrow. A bell of +6 dB and q 1 at 10 kHz has at 15 kHz 3.5 dB as an analogue filter, 3.2 dB at 96 kHz and
2.0 dB at 48 kHz. So responses compare only at a device's own sample rate.
"""

from __future__ import annotations

from typing import Final, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats: TypeAlias = NDArray[np.float64]

IDENTITY: Final[tuple[float, ...]] = (1.0, 0.0, 0.0, 1.0, 0.0, 0.0)
"""The row that changes nothing."""


def bell(frequency_hz: ArrayLike, gain_db: ArrayLike, q: ArrayLike, sample_rate_hz: float) -> Floats:
    """Peaking filter: `gain_db` at its centre, 0 dB far from it (cookbook "peakingEQ")."""
    cos, alpha = _angle(frequency_hz, q, sample_rate_hz)
    a = _amplitude(gain_db)
    return _rows((1 + alpha * a, -2 * cos, 1 - alpha * a), (1 + alpha / a, -2 * cos, 1 - alpha / a))


def low_shelf(frequency_hz: ArrayLike, gain_db: ArrayLike, q: ArrayLike, sample_rate_hz: float) -> Floats:
    """`gain_db` far below the frequency, half of it at the frequency, 0 dB far above (cookbook "lowShelf")."""
    cos, alpha = _angle(frequency_hz, q, sample_rate_hz)
    a = _amplitude(gain_db)
    up, down, slope = a + 1, a - 1, 2 * np.sqrt(a) * alpha
    return _rows(
        (a * (up - down * cos + slope), 2 * a * (down - up * cos), a * (up - down * cos - slope)),
        (up + down * cos + slope, -2 * (down + up * cos), up + down * cos - slope),
    )


def high_shelf(frequency_hz: ArrayLike, gain_db: ArrayLike, q: ArrayLike, sample_rate_hz: float) -> Floats:
    """`gain_db` far above the frequency, half of it at the frequency, 0 dB far below (cookbook "highShelf")."""
    cos, alpha = _angle(frequency_hz, q, sample_rate_hz)
    a = _amplitude(gain_db)
    up, down, slope = a + 1, a - 1, 2 * np.sqrt(a) * alpha
    return _rows(
        (a * (up + down * cos + slope), -2 * a * (down + up * cos), a * (up + down * cos - slope)),
        (up - down * cos + slope, 2 * (down - up * cos), up - down * cos - slope),
    )


def notch(frequency_hz: ArrayLike, q: ArrayLike, sample_rate_hz: float) -> Floats:
    """Nothing passes at the frequency; about `frequency / q` wide between the -3 dB points (cookbook "notch")."""
    cos, alpha = _angle(frequency_hz, q, sample_rate_hz)
    return _rows((1.0, -2 * cos, 1.0), (1 + alpha, -2 * cos, 1 - alpha))


def all_pass(frequency_hz: ArrayLike, q: ArrayLike, sample_rate_hz: float) -> Floats:
    """0 dB everywhere; the phase turns by 360 degrees, 180 of them at the frequency (cookbook "APF")."""
    cos, alpha = _angle(frequency_hz, q, sample_rate_hz)
    return _rows((1 - alpha, -2 * cos, 1 + alpha), (1 + alpha, -2 * cos, 1 - alpha))


def low_pass(frequency_hz: ArrayLike, q: ArrayLike, sample_rate_hz: float) -> Floats:
    """Second-order low-pass with pole quality `q`: 20 log10(q) dB at the frequency (cookbook "LPF")."""
    cos, alpha = _angle(frequency_hz, q, sample_rate_hz)
    return _rows(((1 - cos) / 2, 1 - cos, (1 - cos) / 2), (1 + alpha, -2 * cos, 1 - alpha))


def high_pass(frequency_hz: ArrayLike, q: ArrayLike, sample_rate_hz: float) -> Floats:
    """Second-order high-pass with pole quality `q`: 20 log10(q) dB at the frequency (cookbook "HPF")."""
    cos, alpha = _angle(frequency_hz, q, sample_rate_hz)
    return _rows(((1 + cos) / 2, -(1 + cos), (1 + cos) / 2), (1 + alpha, -2 * cos, 1 - alpha))


def first_order_low_pass(frequency_hz: ArrayLike, sample_rate_hz: float) -> Floats:
    """6 dB per octave, -3.01 dB at the frequency; s -> (z - 1) / (z + 1) / tan(w0 / 2) in 1 / (1 + s)."""
    t = np.tan(_w0(frequency_hz, sample_rate_hz) / 2)
    return _rows((t, t, 0.0), (1 + t, t - 1, 0.0))


def first_order_high_pass(frequency_hz: ArrayLike, sample_rate_hz: float) -> Floats:
    """6 dB per octave, -3.01 dB at the frequency; s -> (z - 1) / (z + 1) / tan(w0 / 2) in s / (1 + s)."""
    t = np.tan(_w0(frequency_hz, sample_rate_hz) / 2)
    return _rows((1.0, -1.0, 0.0), (1 + t, t - 1, 0.0))


def check_frequency(frequency_hz: ArrayLike, sample_rate_hz: float) -> None:
    """Raise `ValueError` unless every frequency lies between 0 and half the sample rate, both excluded."""
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    if not 0 < sample_rate_hz < np.inf:
        raise ValueError(f"sample_rate_hz must be greater than 0 and finite, not {sample_rate_hz:g}")
    if not np.all((frequency > 0) & (frequency < sample_rate_hz / 2)):
        raise ValueError(f"frequency_hz of a filter must lie between 0 and {sample_rate_hz / 2:g} Hz")


def _w0(frequency_hz: ArrayLike, sample_rate_hz: float) -> Floats:
    check_frequency(frequency_hz, sample_rate_hz)
    return 2 * np.pi * np.asarray(frequency_hz, dtype=np.float64) / sample_rate_hz


def _angle(frequency_hz: ArrayLike, q: ArrayLike, sample_rate_hz: float) -> tuple[Floats, Floats]:
    """The cookbook's cos(w0) and alpha."""
    quality = np.asarray(q, dtype=np.float64)
    if not np.all((quality > 0) & np.isfinite(quality)):
        raise ValueError("q must be greater than 0 and finite")
    w0 = _w0(frequency_hz, sample_rate_hz)
    return np.cos(w0), np.sin(w0) / (2 * quality)


def _amplitude(gain_db: ArrayLike) -> Floats:
    """The cookbook's A."""
    gain = np.asarray(gain_db, dtype=np.float64)
    if not np.all(np.isfinite(gain)):
        raise ValueError("gain_db must be finite")
    amplitude: Floats = 10.0 ** (gain / 40)
    return amplitude


def _rows(b: tuple[ArrayLike, ArrayLike, ArrayLike], a: tuple[ArrayLike, ArrayLike, ArrayLike]) -> Floats:
    """Six coefficients, normalised to a0 = 1, stacked in a last axis."""
    rows = np.stack(np.broadcast_arrays(*b, *a), axis=-1).astype(np.float64)
    rows /= rows[..., 3:4].copy()
    return rows
