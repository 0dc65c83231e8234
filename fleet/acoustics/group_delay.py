"""Group delay of a chain of sections: how long the envelope of a tone is held up.

-d(phase)/d(omega) section by section: for a polynomial C(z) = sum c_k z^-k it is Re(sum k c_k z^-k / C), numerators add
and denominators subtract (J. O. Smith, "Introduction to Digital Filters", numerical computation of group delay).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from fleet.acoustics.arguments import below_nyquist
from fleet.acoustics.biquads import Floats
from fleet.acoustics.response import Complexes

NOTHING = 1e-13
"""A numerator as small as this is a null but for rounding."""


def group_delay_ms(sections: Floats, frequencies_hz: ArrayLike, sample_rate_hz: float) -> Floats:
    """Group delay in ms; `sections` and frequencies have the shapes of `fleet.acoustics.response`.

    Frequencies from 0 to below half the sample rate. NaN where the chain lets nothing through (the centre of a notch,
    0 Hz of a high-pass): there is no phase to tell it by.
    """
    frequencies = np.atleast_1d(below_nyquist("frequencies_hz", frequencies_hz, sample_rate_hz))
    z = np.exp(-2j * np.pi * frequencies / sample_rate_hz)
    basis = np.stack([np.ones_like(z), z, z * z], axis=-2)
    samples = _held_up(sections[..., :3], basis) - _held_up(sections[..., 3:], basis)
    total: Floats = 1000 / sample_rate_hz * np.sum(samples, axis=-2)
    return total


def _held_up(coefficients: Floats, basis: Complexes) -> Floats:
    """Samples of delay of polynomials (..., S, 3) at a basis of (..., 3, F)."""
    value = coefficients @ basis
    weighted = (coefficients * np.arange(3)) @ basis
    scale = np.sum(np.abs(coefficients), axis=-1, keepdims=True)
    null = np.abs(value) <= NOTHING * scale
    samples: Floats = np.where(null, np.nan, (weighted / np.where(null, 1, value)).real)
    return samples
