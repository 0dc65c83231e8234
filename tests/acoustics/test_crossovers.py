"""Crossover filters against their analogue formulas, scipy, and what pairs of them sum to.

Butterworth |H|² = 1 / (1 + x^2n); Linkwitz-Riley |H| = 1 / (1 + x^2m) (S. Linkwitz, JAES 24(1), 1976).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from fleet.acoustics.crossovers import crossover, exists
from fleet.acoustics.grid import R80_HZ
from fleet.acoustics.response import complex_response, magnitude_db, phase_deg

RATE_HZ = 48_000
BUTTERWORTH = (6, 12, 18, 24, 36, 48)
LINKWITZ_RILEY = (12, 24, 36, 48)
BESSEL = (12, 18, 24, 36, 48)
KINDS = {"low_pass": "low", "high_pass": "high"}


def at(sections, *hz):
    return magnitude_db(sections, np.array(hz, dtype=float), RATE_HZ)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("slope", BUTTERWORTH)
def test_butterworth_is_scipys(kind, slope):
    sos = signal.butter(slope // 6, 200, KINDS[kind], fs=RATE_HZ, output="sos")
    _, expected = signal.sosfreqz(sos, worN=R80_HZ, fs=RATE_HZ)
    found = complex_response(crossover(kind, "butterworth", slope, 200, RATE_HZ), R80_HZ, RATE_HZ)
    assert np.max(np.abs(found - expected)) < 1e-9


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("slope", BESSEL)
def test_bessel_is_scipys_with_its_3_db_point_at_the_corner(kind, slope):
    sos = signal.bessel(slope // 6, 200, KINDS[kind], fs=RATE_HZ, output="sos", norm="mag")
    _, expected = signal.sosfreqz(sos, worN=R80_HZ, fs=RATE_HZ)
    sections = crossover(kind, "bessel", slope, 200, RATE_HZ)
    assert np.max(np.abs(complex_response(sections, R80_HZ, RATE_HZ) - expected)) < 1e-8
    assert at(sections, 200)[0] == pytest.approx(-3.0103, abs=0.001)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("slope", LINKWITZ_RILEY)
def test_linkwitz_riley_is_a_butterworth_twice(kind, slope):
    once = crossover(kind, "butterworth", slope // 2, 200, RATE_HZ)
    twice = crossover(kind, "linkwitz_riley", slope, 200, RATE_HZ)
    expected = 2 * magnitude_db(once, R80_HZ, RATE_HZ)
    found = magnitude_db(twice, R80_HZ, RATE_HZ)
    heard = expected > -150
    assert found[heard] == pytest.approx(expected[heard], abs=1e-6)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("slope", BUTTERWORTH)
def test_butterworth_is_3_db_down_at_the_corner(kind, slope):
    assert at(crossover(kind, "butterworth", slope, 80, RATE_HZ), 80)[0] == pytest.approx(-3.0103, abs=0.001)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("slope", LINKWITZ_RILEY)
def test_linkwitz_riley_is_6_db_down_at_the_corner(kind, slope):
    assert at(crossover(kind, "linkwitz_riley", slope, 80, RATE_HZ), 80)[0] == pytest.approx(-6.0206, abs=0.001)


def test_one_octave_into_the_stop_band_the_analogue_formulas_hold_far_below_half_the_sample_rate():
    butterworth = at(crossover("low_pass", "butterworth", 24, 80, RATE_HZ), 40, 160)
    linkwitz_riley = at(crossover("low_pass", "linkwitz_riley", 24, 80, RATE_HZ), 40, 160)
    assert butterworth == pytest.approx([-10 * np.log10(1 + 0.5**8), -10 * np.log10(1 + 2**8)], abs=0.01)
    assert linkwitz_riley == pytest.approx([-20 * np.log10(1 + 0.5**4), -20 * np.log10(1 + 2**4)], abs=0.01)


@pytest.mark.parametrize(
    ("family", "slope", "invert", "expected_db"),
    [
        ("butterworth", 24, False, 3.0103),
        ("linkwitz_riley", 24, False, 0.0),
        ("linkwitz_riley", 48, False, 0.0),
        ("linkwitz_riley", 12, True, 0.0),
        ("linkwitz_riley", 36, True, 0.0),
        ("butterworth", 12, True, 3.0103),
    ],
)
def test_what_a_pair_sums_to_at_the_corner(family, slope, invert, expected_db):
    low, high = (complex_response(crossover(k, family, slope, 100, RATE_HZ), R80_HZ, RATE_HZ) for k in KINDS)
    total_db = 20 * np.log10(np.abs(low - high if invert else low + high))
    corner = np.argmin(np.abs(R80_HZ - 100))
    assert total_db[corner] == pytest.approx(expected_db, abs=0.001)
    if family == "linkwitz_riley":
        assert np.max(np.abs(total_db)) < 1e-6


@pytest.mark.parametrize(("slope", "expected_deg"), [(24, 0), (12, 180)])
def test_phase_between_the_ways_of_linkwitz_riley(slope, expected_deg):
    low, high = (phase_deg(crossover(k, "linkwitz_riley", slope, 100, RATE_HZ), R80_HZ, RATE_HZ) for k in KINDS)
    between = np.abs((low - high + 180) % 360 - 180)
    assert between == pytest.approx(np.full_like(between, expected_deg), abs=1e-4)


@pytest.mark.parametrize(("family", "slope"), [("linkwitz_riley", 18), ("linkwitz_riley", 6), ("elliptic", 12)])
def test_filters_that_do_not_exist_are_refused(family, slope):
    assert not exists(family, slope)
    with pytest.raises(ValueError, match="there is no"):
        crossover("low_pass", family, slope, 100, RATE_HZ)


def test_many_corners_at_once():
    corners_hz = np.array([80.0, 120.0, 2000.0])
    many = crossover("high_pass", "linkwitz_riley", 36, corners_hz, RATE_HZ)
    assert many.shape[0] == 3
    for row, corner_hz in zip(many, corners_hz, strict=True):
        assert row == pytest.approx(crossover("high_pass", "linkwitz_riley", 36, corner_hz, RATE_HZ))
