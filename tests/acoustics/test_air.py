"""Speed of sound with humidity (Cramer 1993), air absorption (ISO 9613-1), travel time and weather."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.acoustics import air
from fleet.acoustics.bands import midband_hz
from fleet.acoustics.delay import speed_of_sound_m_s

# O. Cramer, JASA 93(5), 2510-2516 (1993): dry, 50 % and 70 % humidity, 101.325 kPa, 0.04 % CO2; computed apart from
# this code with the coefficients of two transcriptions that agree. 0 to 30 °C, the stated range.
CRAMER = {
    0: (331.448, 331.604, 331.666), 5: (334.467, 334.693, 334.783), 10: (337.459, 337.781, 337.910),
    15: (340.423, 340.876, 341.057), 20: (343.359, 343.987, 344.238), 22: (344.526, 345.239, 345.523),
    25: (346.268, 347.127, 347.470), 30: (349.148, 350.310, 350.774),
}  # fmt: skip

# ISO 9613-1:1993, 6.2 to 6.4, computed apart from this code at the exact mid-bands of 63 Hz to 8 kHz, dB/km; a second
# implementation (python-acoustics 0.2.6) agreed in all printed digits.
ABSORPTION_DB_PER_KM = {
    (10, 70): (0.122, 0.411, 1.043, 1.928, 3.658, 9.664, 32.770, 116.882),
    (15, 20): (0.272, 0.647, 1.221, 2.704, 8.166, 28.191, 88.786, 201.761),
    (20, 30): (0.192, 0.615, 1.425, 2.516, 5.005, 14.061, 48.468, 166.345),
    (20, 50): (0.123, 0.445, 1.318, 2.733, 4.665, 9.855, 29.419, 103.912),
    (20, 70): (0.090, 0.339, 1.132, 2.798, 4.978, 9.016, 22.911, 76.621),
    (25, 50): (0.106, 0.399, 1.323, 3.231, 5.677, 10.178, 25.668, 85.448),
    (30, 80): (0.057, 0.226, 0.860, 2.913, 7.405, 13.296, 23.147, 55.708),
}

# ISO 9613-2:1996, Table 2, from memory: rounded as the standard prints, hence the wide tolerance.
ISO_9613_2_TABLE_2 = {
    (10, 70): (0.1, 0.4, 1.0, 1.9, 3.7, 9.7, 32.8, 117),
    (20, 70): (0.1, 0.3, 1.1, 2.8, 5.0, 9.0, 22.9, 76.6),
    (30, 70): (0.1, 0.3, 1.0, 3.1, 7.4, 12.7, 23.1, 59.3),
    (15, 20): (0.3, 0.6, 1.2, 2.7, 8.2, 28.2, 88.8, 202),
    (15, 50): (0.1, 0.5, 1.2, 2.2, 4.2, 10.8, 36.2, 129),
    (15, 80): (0.1, 0.3, 1.1, 2.4, 4.1, 8.3, 23.7, 82.8),
}

OCTAVES_HZ = midband_hz(np.arange(-4, 4), 1)


@pytest.mark.parametrize(("temperature_c", "speeds"), CRAMER.items())
def test_speed_of_sound_in_humid_air_is_cramers(temperature_c, speeds):
    assert air.speed_of_sound_in_humid_air_m_s(temperature_c, [0, 50, 70]) == pytest.approx(speeds, abs=0.001)


def test_cramers_equation_to_all_digits():
    found = air.speed_of_sound_in_humid_air_m_s([[0], [15], [30]], [0, 50])
    expected = [[331.4476724423025, 331.60354076159655], [340.4233430981775, 340.87571198900287],
                [349.1480646908026, 350.3101666486313]]  # fmt: skip
    assert found == pytest.approx(np.array(expected), abs=1e-9)


@given(temperature_c=st.floats(0, 30), humidity_percent=st.floats(0, 100))
def test_both_formulas_of_the_speed_of_sound_agree_within_0_8_percent(temperature_c, humidity_percent):
    humid = air.speed_of_sound_in_humid_air_m_s(temperature_c, humidity_percent)
    assert humid == pytest.approx(speed_of_sound_m_s(temperature_c), rel=0.008)
    assert humid >= air.speed_of_sound_in_humid_air_m_s(temperature_c, 0)


@pytest.mark.parametrize(("weather", "expected"), ABSORPTION_DB_PER_KM.items(), ids=str)
def test_absorption_is_iso_9613_1s(weather, expected):
    assert 1000 * air.absorption_db_per_m(OCTAVES_HZ, *weather) == pytest.approx(expected, abs=0.0006)


@pytest.mark.parametrize(("weather", "printed"), ISO_9613_2_TABLE_2.items(), ids=str)
def test_absorption_rounds_to_the_table_of_iso_9613_2(weather, printed):
    found = 1000 * air.absorption_db_per_m(OCTAVES_HZ, *weather)
    tolerance = np.where(np.array(printed) >= 100, 0.5, 0.06)
    assert np.all(np.abs(found - printed) <= tolerance)


def test_absorption_at_nominal_frequencies_is_another_one():
    # ISO 9613-1, same formula at 1, 2, 4 and 8 kHz sharp, 20 °C.
    at_hz = [1000, 2000, 4000, 8000]
    assert 1000 * air.absorption_db_per_m(at_hz, 20, 70) == pytest.approx([4.978, 9.039, 23.086, 77.633], abs=0.0006)
    assert 1000 * air.absorption_db_per_m(at_hz, 20, 50) == pytest.approx([4.665, 9.887, 29.666, 105.291], abs=0.0006)


def test_a_dry_winter_hall_takes_more_treble():
    # ISO 9613-1 over 40 m at the exact mid-band of 8 kHz.
    far = 40 * air.absorption_db_per_m(OCTAVES_HZ[-1], 20, [50, 30])
    assert far == pytest.approx([4.16, 6.65], abs=0.005)


@given(frequency_hz=st.floats(20, 10_000), temperature_c=st.floats(-20, 50), humidity_percent=st.floats(10, 100))
def test_absorption_grows_with_frequency(frequency_hz, temperature_c, humidity_percent):
    lower, higher = air.absorption_db_per_m([frequency_hz, 1.5 * frequency_hz], temperature_c, humidity_percent)
    assert 0 < lower < higher


def test_absorption_broadcasts():
    assert air.absorption_db_per_m(OCTAVES_HZ, [[10], [20]], 50).shape == (2, 8)


@pytest.mark.parametrize(("distance_m", "change_ms"), [(10, -0.970), (30, -2.909), (60, -5.818)])
def test_from_15_to_35_degrees_sound_arrives_earlier(distance_m, change_ms):
    # ISO 9613-1:1993, Annex A, arithmetic.
    assert air.travel_time_change_ms(distance_m, 15, 35) == pytest.approx(change_ms, abs=0.0006)


def test_the_slope_at_20_degrees():
    # dt/dT = -t / (2 T): 0.1706 % per kelvin.
    assert air.travel_time_change_to_first_order_ms([10, 30], 20, 1) == pytest.approx([-0.0497, -0.149], abs=0.0001)
    assert air.travel_time_change_to_first_order_ms(20, 20, -10) == pytest.approx(0.994, abs=0.0005)


@given(distance_m=st.floats(1, 200), temperature_c=st.floats(-20, 40), change_k=st.floats(-1, 1))
def test_for_a_small_change_the_slope_is_enough(distance_m, temperature_c, change_k):
    exact = air.travel_time_change_ms(distance_m, temperature_c, temperature_c + change_k)
    assert air.travel_time_change_to_first_order_ms(distance_m, temperature_c, change_k) == pytest.approx(
        exact, rel=0.005, abs=1e-9
    )


@pytest.mark.parametrize(
    ("call", "argument"),
    [
        (lambda: air.absorption_db_per_m(0), "frequency_hz"),
        (lambda: air.absorption_db_per_m([1000, float("nan")]), "frequency_hz"),
        (lambda: air.absorption_db_per_m([]), "frequency_hz"),
        (lambda: air.absorption_db_per_m(1000, -273.15), "temperature_c"),
        (lambda: air.absorption_db_per_m(1000, 20, 101), "humidity_percent"),
        (lambda: air.absorption_db_per_m(1000, 20, -1), "humidity_percent"),
        (lambda: air.absorption_db_per_m(1000, 20, 50, 0), "pressure_kpa"),
        (lambda: air.speed_of_sound_in_humid_air_m_s(float("inf"), 50), "temperature_c"),
        (lambda: air.speed_of_sound_in_humid_air_m_s(20, float("nan")), "humidity_percent"),
        (lambda: air.speed_of_sound_in_humid_air_m_s(20, 50, co2_mole_fraction=-1), "co2_mole_fraction"),
        (lambda: air.travel_time_change_ms(-1, 15, 35), "distance_m"),
        (lambda: air.travel_time_change_ms(10, 15, float("nan")), "temperature_c"),
        (lambda: air.travel_time_change_to_first_order_ms(10, 20, float("inf")), "change_k"),
    ],
)
def test_what_air_cannot_be_is_refused_by_name(call, argument):
    with pytest.raises(ValueError, match=argument):
        call()
