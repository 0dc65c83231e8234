"""Delay and distance: speed of sound, milliseconds, metres, samples."""

from __future__ import annotations

import math
from typing import Final

ABSOLUTE_ZERO_C: Final = -273.15


def speed_of_sound_m_s(temperature_c: float) -> float:
    """Speed of sound in air in m/s: 343.2 * sqrt((t + 273.15) / 293.15), ISO 9613-1:1993, Annex A.

    Raises `ValueError` at and below absolute zero, and for a temperature that is not finite.
    """
    if not math.isfinite(temperature_c):
        raise ValueError(f"temperature_c must be finite, not {temperature_c:g}")
    if temperature_c <= ABSOLUTE_ZERO_C:
        raise ValueError(f"temperature_c is at or below absolute zero: {temperature_c:g} °C")
    return 343.2 * math.sqrt((temperature_c - ABSOLUTE_ZERO_C) / 293.15)


def ms_of_m(distance_m: float, temperature_c: float = 20.0) -> float:
    """Travel time in ms over a distance in m."""
    return 1000.0 * distance_m / speed_of_sound_m_s(temperature_c)


def m_of_ms(time_ms: float, temperature_c: float = 20.0) -> float:
    """Distance in m that sound travels in a time in ms."""
    return time_ms * speed_of_sound_m_s(temperature_c) / 1000.0


def samples_of_ms(time_ms: float, sample_rate_hz: float) -> float:
    """A time in ms as a number of samples, not rounded."""
    return time_ms * sample_rate_hz / 1000.0


def ms_of_samples(samples: float, sample_rate_hz: float) -> float:
    """A number of samples as a time in ms."""
    return 1000.0 * samples / sample_rate_hz


def distance_m(a_m: tuple[float, float, float], b_m: tuple[float, float, float]) -> float:
    """Straight distance in m between two points (x, y, z) in m."""
    return math.dist(a_m, b_m)
