"""What numbers a formula may be given: each check raises `ValueError` with a sentence that names the argument."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from fleet.acoustics.biquads import Floats


def finite(name: str, value: ArrayLike) -> Floats:
    """The value as an array of floats; NaN, infinity and an empty list are refused."""
    numbers = np.asarray(value, dtype=np.float64)
    if numbers.size == 0:
        raise ValueError(f"{name} must hold at least one number")
    if not np.all(np.isfinite(numbers)):
        raise ValueError(f"{name} must be finite, not {_shown(value)}")
    return numbers


def positive(name: str, value: ArrayLike) -> Floats:
    """Finite and greater than 0."""
    numbers = finite(name, value)
    if not np.all(numbers > 0):
        raise ValueError(f"{name} must be greater than 0, not {_shown(value)}")
    return numbers


def not_negative(name: str, value: ArrayLike) -> Floats:
    """Finite and 0 or more."""
    numbers = finite(name, value)
    if not np.all(numbers >= 0):
        raise ValueError(f"{name} must not be negative, but is {_shown(value)}")
    return numbers


def above_absolute_zero(name: str, temperature_c: ArrayLike) -> Floats:
    """A temperature in °C, returned in kelvin."""
    kelvin = finite(name, temperature_c) + 273.15
    if not np.all(kelvin > 0):
        raise ValueError(f"{name} is at or below absolute zero: {_shown(temperature_c)} °C")
    return kelvin


def below_nyquist(name: str, frequency_hz: ArrayLike, sample_rate_hz: float) -> Floats:
    """Frequencies in Hz from 0 up to, but without, half the sample rate."""
    positive("sample_rate_hz", sample_rate_hz)
    frequencies = not_negative(name, frequency_hz)
    if not np.all(frequencies < sample_rate_hz / 2):
        raise ValueError(f"{name} must stay below half the sample rate, {sample_rate_hz / 2:g} Hz")
    return frequencies


def _shown(value: ArrayLike) -> str:
    return f"{value:g}" if isinstance(value, int | float) else str(np.asarray(value))
