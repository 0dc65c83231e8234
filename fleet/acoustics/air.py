"""Air between loudspeaker and listener: speed of sound with humidity, absorption, and what the weather does to delay.

The simple speed of sound, without humidity, is `fleet.acoustics.delay.speed_of_sound_m_s`. Humidity is relative, in
percent; pressure is in kPa. Numbers or arrays, broadcast together.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from fleet.acoustics.arguments import above_absolute_zero, finite, not_negative, positive
from fleet.acoustics.biquads import Floats
from fleet.acoustics.delay import speed_of_sound_m_s

REFERENCE_KPA: Final = 101.325
"""Atmospheric pressure at sea level, the reference of ISO 9613-1."""

DB_PER_NEPER: Final = 8.686
"""20 log10(e), with the digits that ISO 9613-1, formula (5) prints."""


def speed_of_sound_in_humid_air_m_s(
    temperature_c: ArrayLike,
    humidity_percent: ArrayLike,
    pressure_kpa: float = REFERENCE_KPA,
    co2_mole_fraction: float = 0.0004,
) -> Floats:
    """Speed of sound in m/s by O. Cramer, JASA 93(5), 2510-2516 (1993), interpolating equation.

    The vapour pressure of saturated air is that of R. S. Davis, Metrologia 29, 67-70 (1992).
    Stated for 0 to 30 °C, 75 to 102 kPa, up to 6 % of water molecules and 1 % of CO2; outside it extrapolates.
    """
    t, kelvin = finite("temperature_c", temperature_c), above_absolute_zero("temperature_c", temperature_c)
    humidity = _humidity(humidity_percent)
    p = 1000 * float(positive("pressure_kpa", pressure_kpa))
    co2 = float(not_negative("co2_mole_fraction", co2_mole_fraction))
    saturated_pa = np.exp(1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin)
    enhancement = 1.00062 + 3.14e-8 * p + 5.6e-7 * t**2
    water = humidity / 100 * enhancement * saturated_pa / p
    speed: Floats = (
        331.5024 + 0.603055 * t - 0.000528 * t**2
        + (51.471935 + 0.1495874 * t - 0.000782 * t**2) * water
        + (-1.82e-7 + 3.73e-8 * t - 2.93e-10 * t**2) * p
        + (-85.20931 - 0.228525 * t + 5.91e-5 * t**2) * co2
        - 2.835149 * water**2 - 2.15e-13 * p**2 + 29.179762 * co2**2 + 0.000486 * water * p * co2
    )  # fmt: skip
    return speed


def absorption_db_per_m(
    frequency_hz: ArrayLike,
    temperature_c: ArrayLike = 20.0,
    humidity_percent: ArrayLike = 50.0,
    pressure_kpa: float = REFERENCE_KPA,
) -> Floats:
    """What air takes from a pure tone beyond spreading, in dB per metre: ISO 9613-1:1993, 6.2 to 6.4.

    The molar concentration of water vapour is that of Annex B. Stated for -20 to 50 °C and less than 200 kPa.
    """
    f = positive("frequency_hz", frequency_hz)
    kelvin = above_absolute_zero("temperature_c", temperature_c)
    humidity = _humidity(humidity_percent)
    p = float(positive("pressure_kpa", pressure_kpa)) / REFERENCE_KPA
    warm = kelvin / 293.15
    h = humidity * 10 ** (-6.8346 * (273.16 / kelvin) ** 1.261 + 4.6151) / p
    oxygen_hz = p * (24 + 4.04e4 * h * (0.02 + h) / (0.391 + h))
    nitrogen_hz = p * warm**-0.5 * (9 + 280 * h * np.exp(-4.170 * (warm ** (-1 / 3) - 1)))
    oxygen = 0.01275 * np.exp(-2239.1 / kelvin) / (oxygen_hz + f**2 / oxygen_hz)
    nitrogen = 0.1068 * np.exp(-3352.0 / kelvin) / (nitrogen_hz + f**2 / nitrogen_hz)
    absorbed: Floats = DB_PER_NEPER * f**2 * (1.84e-11 / p * warm**0.5 + warm**-2.5 * (oxygen + nitrogen))
    return absorbed


def travel_time_change_ms(distance_m: ArrayLike, from_c: float, to_c: float) -> Floats:
    """How much later (+) or earlier (-) sound arrives when the air turns from one temperature to another.

    Exact for the speed of sound of ISO 9613-1:1993, Annex A.
    """
    distance = not_negative("distance_m", distance_m)
    change: Floats = 1000 * distance * (1 / speed_of_sound_m_s(to_c) - 1 / speed_of_sound_m_s(from_c))
    return change


def travel_time_change_to_first_order_ms(distance_m: ArrayLike, temperature_c: float, change_k: float) -> Floats:
    """The same by the slope at `temperature_c`: -change / (2 T) of the travel time, 0.17 % per kelvin at 20 °C."""
    distance = not_negative("distance_m", distance_m)
    kelvin = float(above_absolute_zero("temperature_c", temperature_c))
    time_ms = 1000 * distance / speed_of_sound_m_s(temperature_c)
    change: Floats = -time_ms * float(finite("change_k", change_k)) / (2 * kelvin)
    return change


def _humidity(humidity_percent: ArrayLike) -> Floats:
    humidity = not_negative("humidity_percent", humidity_percent)
    if np.any(humidity > 100):
        raise ValueError("humidity_percent must not exceed 100")
    return humidity
