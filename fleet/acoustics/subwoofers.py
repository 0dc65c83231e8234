"""Two subwoofers one behind the other: gradient ("cardioid") and end-fire pairs, and their response around them.

Two equal point sources in a free field, far away: superposition of pressures with path differences of
spacing * cos(angle); first-order gradient arrays by H. F. Olson, "Gradient microphones", JASA 17(3), 192-198 (1946),
by reciprocity. Angles in degrees: 0 is the front, 90 the side, 180 the rear.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from fleet.acoustics.arguments import finite, not_negative, positive
from fleet.acoustics.biquads import Floats
from fleet.acoustics.delay import ms_of_m, speed_of_sound_m_s
from fleet.acoustics.response import Complexes, db_of_power


@dataclass(frozen=True, slots=True)
class Pair:
    """A front and a rear subwoofer, the rear one `spacing_m` behind, with what their outputs are set to."""

    spacing_m: float
    front_delay_ms: float = 0.0
    rear_delay_ms: float = 0.0
    rear_inverted: bool = False
    rear_level_db: float = 0.0

    def __post_init__(self) -> None:
        positive("spacing_m", self.spacing_m)
        not_negative("front_delay_ms", self.front_delay_ms)
        not_negative("rear_delay_ms", self.rear_delay_ms)
        finite("rear_level_db", self.rear_level_db)


class GradientMarks(NamedTuple):
    """Frequencies in Hz of a gradient pair's response to the front re one subwoofer."""

    peak_hz: float
    plus_3_db_hz: tuple[float, float]
    zero_db_hz: tuple[float, float]
    null_hz: float


def spacing_delay_ms(spacing_m: float, temperature_c: float = 20.0) -> float:
    """The delay that belongs to a spacing: as long as sound takes from one subwoofer to the other."""
    positive("spacing_m", spacing_m)
    return ms_of_m(spacing_m, temperature_c)


def gradient_pair(spacing_m: float, temperature_c: float = 20.0) -> Pair:
    """Rear subwoofer delayed by the spacing and inverted: nothing goes to the rear."""
    delay_ms = spacing_delay_ms(spacing_m, temperature_c)
    return Pair(spacing_m, rear_delay_ms=delay_ms, rear_inverted=True)


def end_fire_pair(spacing_m: float, temperature_c: float = 20.0) -> Pair:
    """Front subwoofer delayed by the spacing, same polarity: 6 dB more to the front at every frequency."""
    return Pair(spacing_m, front_delay_ms=spacing_delay_ms(spacing_m, temperature_c))


def pair_response(
    pair: Pair, frequency_hz: ArrayLike, angle_deg: ArrayLike = 0.0, temperature_c: float = 20.0
) -> Complexes:
    """Pressure far away in a direction re that of the front subwoofer alone without delay."""
    omega = 2 * np.pi * positive("frequency_hz", frequency_hz)
    path_s = pair.spacing_m * np.cos(np.radians(finite("angle_deg", angle_deg))) / speed_of_sound_m_s(temperature_c)
    strength = 10 ** (pair.rear_level_db / 20) * (-1 if pair.rear_inverted else 1)
    front = np.exp(-1j * omega * pair.front_delay_ms / 1000)
    rear = strength * np.exp(-1j * omega * (pair.rear_delay_ms / 1000 + path_s))
    response: Complexes = front + rear
    return response


def pair_response_db(
    pair: Pair, frequency_hz: ArrayLike, angle_deg: ArrayLike = 0.0, temperature_c: float = 20.0
) -> Floats:
    """Level in a direction re one subwoofer, not below -400 dB."""
    return db_of_power(np.abs(pair_response(pair, frequency_hz, angle_deg, temperature_c)) ** 2)


def gradient_marks(spacing_m: float, temperature_c: float = 20.0) -> GradientMarks:
    """Where |2 sin(2 pi f d / c)| peaks, crosses +3.01 and 0 dB, and first cancels."""
    positive("spacing_m", spacing_m)
    unit_hz = speed_of_sound_m_s(temperature_c) / spacing_m
    return GradientMarks(
        peak_hz=unit_hz / 4,
        plus_3_db_hz=(unit_hz / 8, 3 * unit_hz / 8),
        zero_db_hz=(unit_hz / 12, 5 * unit_hz / 12),
        null_hz=unit_hz / 2,
    )


def quarter_wave_m(frequency_hz: float, temperature_c: float = 20.0) -> float:
    """The spacing whose gradient pair peaks at a frequency."""
    positive("frequency_hz", frequency_hz)
    return speed_of_sound_m_s(temperature_c) / (4 * frequency_hz)
