"""What a chain of sections does to level and phase at given frequencies.

`sections` has shape (..., S, 6), rows as in `fleet.acoustics.biquads`; a chain may have no sections (S = 0).
`frequencies_hz` has shape (F,), the same for all chains, or (..., F), one list a chain. Results have shape (..., F).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from fleet.acoustics.biquads import Floats

Complexes: TypeAlias = NDArray[np.complex128]
Numbers: TypeAlias = NDArray[Any]
"""Real or complex."""

CHUNK: Final = 120_000
"""Numbers (chains * sections * frequencies) worked on at once: enough to be fast, few enough to stay in the cache."""

TINY: Final = 1e-40
"""Stands for a power of nothing: -400 dB."""


def magnitude_db(sections: Floats, frequencies_hz: Floats, sample_rate_hz: float) -> Floats:
    """Magnitude in dB, not below -400 dB."""
    return db_of_power(power(sections, frequencies_hz, sample_rate_hz))


def db_of_power(power_ratio: Floats) -> Floats:
    """10 log10 of a ratio of powers, not below -400 dB."""
    decibels: Floats = 10 * np.log10(np.maximum(power_ratio, TINY))
    return decibels


def power(sections: Floats, frequencies_hz: Floats, sample_rate_hz: float) -> Floats:
    """Magnitude squared, fast for many chains.

    With p = sin²(w/2), |b0 + b1 z⁻¹ + b2 z⁻²|² = (b0 + b1 + b2)² - 4 (b0 b1 + 4 b0 b2 + b1 b2) p + 16 b0 b2 p²
    (R. Bristow-Johnson, note to the Audio EQ Cookbook): one matrix product for all sections and frequencies.
    """
    p = np.sin(np.pi * frequencies_hz / sample_rate_hz) ** 2
    basis = np.stack([np.ones_like(p), p, p * p], axis=-2)

    def of_chunk(rows: Floats, rows_basis: Floats) -> Floats:
        upper = _times(_quadratic(rows[..., :3]), rows_basis)
        upper /= np.maximum(_times(_quadratic(rows[..., 3:]), rows_basis), TINY)
        powers: Floats = np.maximum(_product(upper), 0.0)
        return powers

    return _in_chunks(of_chunk, sections, basis, np.float64)


def complex_response(sections: Floats, frequencies_hz: Floats, sample_rate_hz: float) -> Complexes:
    """The transfer function on the unit circle: its argument is the phase in radians."""
    z = np.exp(-2j * np.pi * frequencies_hz / sample_rate_hz)
    basis = np.stack([np.ones_like(z), z, z * z], axis=-2)

    def of_chunk(rows: Floats, rows_basis: Complexes) -> Complexes:
        return _product(_times(rows[..., :3], rows_basis) / _times(rows[..., 3:], rows_basis))

    return _in_chunks(of_chunk, sections, basis, np.complex128)


def phase_deg(sections: Floats, frequencies_hz: Floats, sample_rate_hz: float) -> Floats:
    """Phase in degrees, from -180 to 180."""
    return np.degrees(np.angle(complex_response(sections, frequencies_hz, sample_rate_hz)))


def _quadratic(c: Floats) -> Floats:
    """Coefficients of the squared magnitude in powers of sin²(w/2)."""
    c0, c1, c2 = c[..., 0], c[..., 1], c[..., 2]
    return np.stack([(c0 + c1 + c2) ** 2, -4 * (c0 * c1 + 4 * c0 * c2 + c1 * c2), 16 * c0 * c2], axis=-1)


def _times(coefficients: Floats, basis: Numbers) -> Numbers:
    """(N, S, 3) by a basis of (3, F) or (N, 3, F); one flat product where the basis is shared."""
    if basis.ndim > 2:
        each: Numbers = coefficients @ basis
        return each
    chains, count, _ = coefficients.shape
    flat: Numbers = coefficients.reshape(-1, 3) @ basis
    return flat.reshape(chains, count, basis.shape[-1])


def _product(factors: Numbers) -> Numbers:
    """Product over the sections of (N, S, F), quicker than `prod` over a middle axis."""
    chains, count, frequencies = factors.shape
    result = np.ones((chains, frequencies), dtype=factors.dtype)
    for index in range(count):
        result *= factors[:, index]
    return result


def _in_chunks(
    of_chunk: Callable[[Floats, Numbers], Numbers], sections: Floats, basis: Numbers, kind: type[np.generic]
) -> Numbers:
    """Run over flattened chains, a bounded amount of numbers at a time."""
    outer = sections.shape[:-2]
    rows = sections.reshape(math.prod(outer), *sections.shape[-2:])
    shared = basis.ndim == 2
    bases = basis if shared else basis.reshape(len(rows), *basis.shape[-2:])
    size = max(1, CHUNK // max(1, rows.shape[1] * basis.shape[-1]))
    result = np.empty((len(rows), basis.shape[-1]), dtype=kind)
    for start in range(0, len(rows), size):
        part = slice(start, start + size)
        result[part] = of_chunk(rows[part], bases if shared else bases[part])
    return result.reshape(*outer, basis.shape[-1])
