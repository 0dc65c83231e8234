"""What becomes of filters towards half the sample rate, and what is refused at it.

Analogue: the cookbook's prototype (s² + s A/Q + 1) / (s² + s/(A Q) + 1), W3C Note, 8 June 2021; digital: its bilinear
transform at 48 and 96 kHz, computed apart from this code.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from fleet.acoustics import biquads
from fleet.acoustics.crossovers import crossover
from fleet.acoustics.response import magnitude_db

# (centre, gain, q), at -> dB analogue, at 48 kHz, at 96 kHz
CRAMPED = {
    ((1000, 6, 1), 500): (1.884, 1.879, 1.883),
    ((1000, 6, 1), 1500): (3.521, 3.508, 3.518),
    ((10_000, 6, 1), 5000): (1.884, 1.438, 1.772),
    ((10_000, 6, 1), 15_000): (3.521, 1.991, 3.180),
    ((10_000, 6, 1), 20_000): (1.884, 0.283, 1.438),
    ((12_500, 6, 2), 16_000): (3.007, 1.234, 2.570),
    ((8000, -6, 4), 12_000): (-0.526, -0.287, -0.458),
}

FILTERS = [("butterworth", 12), ("butterworth", 24), ("linkwitz_riley", 24), ("bessel", 12), ("bessel", 24)]
AT_CORNER_DB = {"butterworth": -3.0103, "linkwitz_riley": -6.0206, "bessel": -3.0103}


def analogue_bell_db(centre_hz, gain_db, q, at_hz):
    amplitude = 10 ** (gain_db / 40)
    _, response = signal.freqs([1, amplitude / q, 1], [1, 1 / (amplitude * q), 1], worN=[at_hz / centre_hz])
    return 20 * np.log10(np.abs(response[0]))


@pytest.mark.parametrize(("case", "expected"), CRAMPED.items(), ids=str)
def test_bells_narrow_towards_half_the_sample_rate(case, expected):
    (band, at_hz), (analogue, at_48, at_96) = case, expected
    found = [magnitude_db(biquads.bell(*band, rate)[None], np.array([at_hz]), rate)[0] for rate in (48_000, 96_000)]
    assert analogue_bell_db(*band, at_hz) == pytest.approx(analogue, abs=0.001)
    assert found == pytest.approx([at_48, at_96], abs=0.001)


@given(centre_hz=st.floats(20, 1000), gain_db=st.floats(-15, 15), q=st.floats(0.5, 4), away=st.floats(-2, 2))
def test_far_below_it_the_analogue_formula_holds(centre_hz, gain_db, q, away):
    at_hz = centre_hz * 2.0**away
    found = magnitude_db(biquads.bell(centre_hz, gain_db, q, 192_000)[None], np.array([at_hz]), 192_000)[0]
    assert found == pytest.approx(analogue_bell_db(centre_hz, gain_db, q, at_hz), abs=0.02)


@given(centre_hz=st.floats(1000, 16_000), gain_db=st.floats(1, 15), q=st.floats(0.5, 4), above=st.floats(1.05, 1.4))
def test_above_the_centre_a_lower_rate_gives_less_and_the_centre_stays(centre_hz, gain_db, q, above):
    at_hz = np.array([centre_hz, centre_hz * above])
    low, high = (magnitude_db(biquads.bell(centre_hz, gain_db, q, rate)[None], at_hz, rate) for rate in (48e3, 96e3))
    assert low[0] == pytest.approx(gain_db, abs=1e-6)
    assert high[0] == pytest.approx(gain_db, abs=1e-6)
    assert low[1] < high[1] < analogue_bell_db(centre_hz, gain_db, q, at_hz[1])


@pytest.mark.parametrize("kind", ["low_pass", "high_pass"])
@pytest.mark.parametrize(("family", "slope"), FILTERS)
@pytest.mark.parametrize("corner_hz", [16_000, 20_000, 23_500])
def test_crossovers_keep_their_level_at_the_corner_and_stay_stable(kind, family, slope, corner_hz):
    sections = crossover(kind, family, slope, corner_hz, 48_000)
    found = magnitude_db(sections, np.array([corner_hz], dtype=float), 48_000)[0]
    assert found == pytest.approx(AT_CORNER_DB[family], abs=0.001)
    assert all(np.all(np.abs(np.roots(row[3:])) < 1) for row in sections)


@pytest.mark.parametrize("slope", [12, 24])
def test_a_bessel_low_pass_steepens_towards_half_the_sample_rate(slope):
    # Against its analogue prototype (scipy.signal.bessel, norm="mag"), 1.2 times the corner.
    b, a = signal.bessel(slope // 6, 1.0, analog=True, norm="mag")
    analogue = 20 * np.log10(np.abs(signal.freqs(b, a, worN=[1.2])[1][0]))

    def digital(corner_hz):
        sections = crossover("low_pass", "bessel", slope, corner_hz, 48_000)
        return magnitude_db(sections, np.array([1.2 * corner_hz]), 48_000)[0]

    assert digital(100) == pytest.approx(analogue, abs=0.001)
    assert digital(16_000) < digital(8000) < analogue - 0.1


@pytest.mark.parametrize("corner_hz", [24_000, 25_000, 47_000, 50_000, 96_000, -47_000, 0, float("nan"), float("inf")])
@pytest.mark.parametrize("kind", ["low_pass", "high_pass"])
def test_crossovers_at_and_above_half_the_sample_rate_are_refused(kind, corner_hz):
    with pytest.raises(ValueError, match="frequency_hz"):
        crossover(kind, "butterworth", 24, corner_hz, 48_000)


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        ((1000, 6, 1, 0), "sample_rate_hz"),
        ((1000, 6, 1, float("inf")), "sample_rate_hz"),
        ((24_000, 6, 1, 48_000), "frequency_hz"),
        ((float("nan"), 6, 1, 48_000), "frequency_hz"),
        ((1000, float("nan"), 1, 48_000), "gain_db"),
        ((1000, float("inf"), 1, 48_000), "gain_db"),
        ((1000, 6, 0, 48_000), "q must"),
        ((1000, 6, float("inf"), 48_000), "q must"),
    ],
)
def test_what_no_bell_can_be_is_refused_by_name(arguments, named):
    with pytest.raises(ValueError, match=named):
        biquads.bell(*arguments)
