"""The R80 grid (ISO 266, IEC 61260-1), the speed of sound (ISO 9613-1), distances, and conventions of Q."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from published import BANDS, SPEED_OF_SOUND

from fleet.acoustics import biquads, delay
from fleet.acoustics.grid import R80_HZ, r80_between
from fleet.acoustics.q_conventions import constant_q, cookbook_q


def test_every_eighth_point_is_a_midband_of_iec_61260_near_its_iso_266_name():
    midbands = R80_HZ[::8]
    assert len(R80_HZ) == 241
    assert midbands == pytest.approx([exact for _, exact in BANDS.values()], rel=1e-5)
    assert midbands == pytest.approx([nominal for nominal, _ in BANDS.values()], rel=0.01)


def test_a_part_of_the_grid_includes_its_ends():
    part = r80_between(100, 1000)
    assert len(part) == 81
    assert part[[0, -1]] == pytest.approx([100, 1000])
    assert len(r80_between(101, 102)) == 0


def test_the_grid_cannot_be_written():
    with pytest.raises(ValueError, match="read-only"):
        R80_HZ[0] = 1


@pytest.mark.parametrize(("temperature_c", "speed"), SPEED_OF_SOUND.items())
def test_speed_of_sound_is_iso_9613s(temperature_c, speed):
    assert delay.speed_of_sound_m_s(temperature_c) == pytest.approx(speed, abs=0.001)


def test_there_is_no_sound_at_absolute_zero():
    with pytest.raises(ValueError, match="absolute zero"):
        delay.speed_of_sound_m_s(-273.15)


def test_metres_milliseconds_and_samples():
    # 343.2 m/s at 20 °C (ISO 9613-1): arithmetic.
    assert delay.ms_of_m(10) == pytest.approx(29.1375, abs=1e-4)
    assert delay.ms_of_m(34.32) == pytest.approx(100)
    assert delay.samples_of_ms(29.1375, 48_000) == pytest.approx(1398.6)
    assert delay.ms_of_samples(1, 48_000) == pytest.approx(0.0208333, abs=1e-6)
    assert delay.distance_m((0, 0, 0), (3, 4, 12)) == 13


@given(distance_m=st.floats(0, 1000), temperature_c=st.floats(-30, 50))
def test_there_and_back(distance_m, temperature_c):
    assert delay.m_of_ms(delay.ms_of_m(distance_m, temperature_c), temperature_c) == pytest.approx(distance_m)


@given(frequency_hz=st.floats(30, 18_000), gain_db=st.floats(0.1, 15), q=st.floats(0.3, 20))
def test_a_bell_of_constant_q_is_the_analogue_formula_transformed(frequency_hz, gain_db, q):
    # Bilinear transform of (s² + s K/Q + 1) / (s² + s/Q + 1), K = 10^(gain/20), with s scaled to the centre.
    k, t = 10 ** (gain_db / 20), math.tan(math.pi * frequency_hz / 48_000)
    b = np.array([1 + k * t / q + t * t, 2 * (t * t - 1), 1 - k * t / q + t * t])
    a = np.array([1 + t / q + t * t, 2 * (t * t - 1), 1 - t / q + t * t])
    row = biquads.bell(frequency_hz, gain_db, cookbook_q(q, gain_db), 48_000)
    assert row == pytest.approx([*(b / a[0]), *(a / a[0])], abs=1e-9)


@given(gain_db=st.floats(-15, 15), q=st.floats(0.1, 50))
def test_conventions_turn_into_each_other(gain_db, q):
    assert constant_q(cookbook_q(q, gain_db), gain_db) == pytest.approx(q)
    assert cookbook_q(q, -gain_db) == cookbook_q(q, gain_db)
