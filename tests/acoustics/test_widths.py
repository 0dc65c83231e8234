"""Bandwidth, shelf slope and Q: R. Bristow-Johnson, "Audio EQ Cookbook" (W3C Note, 8 June 2021)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.acoustics import biquads, widths
from fleet.acoustics.response import magnitude_db

RATE_HZ = 48_000
NAN = float("nan")

# Octaves -> Q of the analogue prototype, at 1 kHz and at 10 kHz with 48 kHz; computed apart from this code.
QS = {
    1 / 3: (4.318473, 4.306096, 3.180741),
    1 / 2: (2.871000, 2.862726, 2.109722),
    2 / 3: (2.144908, 2.138679, 1.571078),
    1.0: (1.414214, 1.410018, 1.026429),
    2.0: (0.666667, 0.664469, 0.461384),
}

gains = st.floats(-24, 24)
slopes = st.floats(0.1, 1)


@pytest.mark.parametrize(("octaves", "expected"), QS.items())
def test_bandwidth_to_q(octaves, expected):
    analogue, at_1_khz, at_10_khz = expected
    assert widths.q_of_bandwidth(octaves) == pytest.approx(analogue, abs=1e-6)
    assert widths.digital_q_of_bandwidth(octaves, 1000, RATE_HZ) == pytest.approx(at_1_khz, abs=1e-6)
    assert widths.digital_q_of_bandwidth(octaves, 10_000, RATE_HZ) == pytest.approx(at_10_khz, abs=1e-6)


def test_the_other_form_of_the_analogue_relation():
    # Q = 2^(BW / 2) / (2^BW - 1).
    octaves = np.array([0.1, 1, 3])
    assert widths.q_of_bandwidth(octaves) == pytest.approx(2 ** (octaves / 2) / (2**octaves - 1))


@given(octaves=st.floats(0.05, 4), frequency_hz=st.floats(20, 20_000))
def test_there_and_back(octaves, frequency_hz):
    assert widths.bandwidth_of_q(widths.q_of_bandwidth(octaves)) == pytest.approx(octaves)
    q = widths.digital_q_of_bandwidth(octaves, frequency_hz, RATE_HZ)
    assert widths.digital_bandwidth_of_q(q, frequency_hz, RATE_HZ) == pytest.approx(octaves)


def test_a_bell_an_octave_wide():
    # Cookbook, peakingEQ, 1 kHz, +6 dB, 1 octave at 48 kHz: coefficients and the half-gain points.
    q = widths.digital_q_of_bandwidth(1.0, 1000, RATE_HZ)
    row = biquads.bell(1000, 6, q, RATE_HZ)
    expected = [1.0315775240, -1.9199769138, 0.9049667949, 1, -1.9199769138, 0.9365443189]
    assert row == pytest.approx(expected, abs=1e-9)
    at_hz = np.array([707.107, 1000, 1414.21])
    assert magnitude_db(row[None], at_hz, RATE_HZ) == pytest.approx([3.0024, 6, 2.9962], abs=0.001)


@given(octaves=st.floats(0.2, 2), frequency_hz=st.floats(50, 2000), gain_db=st.floats(-12, 12))
def test_a_bells_bandwidth_lies_between_the_points_of_half_its_gain(octaves, frequency_hz, gain_db):
    q = widths.digital_q_of_bandwidth(octaves, frequency_hz, RATE_HZ)
    at_hz = frequency_hz * 2.0 ** (np.array([-0.5, 0.5]) * octaves)
    found = magnitude_db(biquads.bell(frequency_hz, gain_db, q, RATE_HZ)[None], at_hz, RATE_HZ)
    assert found == pytest.approx([gain_db / 2] * 2, abs=0.01 * abs(gain_db) + 1e-9)


def test_a_notchs_width_at_3_db():
    # Cookbook, notch, 1 kHz, Q 10: -3.0103 dB at 951.378 and 1051.092 Hz.
    row = biquads.notch(1000, 10, RATE_HZ)
    found = magnitude_db(row[None], np.array([951.378, 1051.092]), RATE_HZ)
    assert found == pytest.approx([-3.0103] * 2, abs=0.001)


@given(gain_db=gains)
def test_slope_1_is_q_0_707_at_every_gain(gain_db):
    assert widths.q_of_shelf_slope(1, gain_db) == pytest.approx(0.5**0.5)


@given(gain_db=gains, slope=slopes)
def test_slopes_there_and_back(gain_db, slope):
    assert widths.shelf_slope_of_q(widths.q_of_shelf_slope(slope, gain_db), gain_db) == pytest.approx(slope)


@pytest.mark.parametrize(("slope", "db_per_octave"), [(1.0, 4.001), (0.5, 2.001)])
def test_the_slope_of_a_shelf_at_its_middle(slope, db_per_octave):
    # S is proportional to the slope in dB per octave at the midpoint (cookbook); +6 dB at 100 Hz.
    row = biquads.low_shelf(100, 6, widths.q_of_shelf_slope(slope, 6), RATE_HZ)
    step = 1e-4
    above, below = magnitude_db(row[None], 100 * 2.0 ** np.array([step, -step]), RATE_HZ)
    assert (below - above) / (2 * step) == pytest.approx(db_per_octave, abs=0.001)


@pytest.mark.parametrize(
    ("shape", "frequency_hz", "gain_db", "expected"),
    [
        ("low_shelf", 100, 6, (1.0032178957, -1.9843644308, 0.9813866987, -1.9844243291, 0.9845446961)),
        ("high_shelf", 8000, -6, (0.6362658064, -0.2758276798, 0.1304294870, -0.7946195937, 0.2854872074)),
    ],
)
def test_shelves_by_slope(shape, frequency_hz, gain_db, expected):
    # Cookbook, S = 1 at 48 kHz.
    b0, b1, b2, a1, a2 = expected
    row = getattr(biquads, shape)(frequency_hz, gain_db, widths.q_of_shelf_slope(1.0, gain_db), RATE_HZ)
    assert row == pytest.approx([b0, b1, b2, 1, a1, a2], abs=1e-9)


@given(gain_db=st.floats(0.5, 15), slope=slopes)
def test_a_shelf_of_slope_up_to_1_has_no_bump(gain_db, slope):
    row = biquads.low_shelf(500, gain_db, widths.q_of_shelf_slope(slope, gain_db), RATE_HZ)
    curve = magnitude_db(row[None], np.geomspace(10, 23_000, 300), RATE_HZ)
    assert np.all(np.diff(curve) < 1e-9)


@pytest.mark.parametrize(
    ("call", "argument"),
    [
        (lambda: widths.q_of_bandwidth(0), "bandwidth_octaves"),
        (lambda: widths.q_of_bandwidth(NAN), "bandwidth_octaves"),
        (lambda: widths.bandwidth_of_q(0), "q must"),
        (lambda: widths.digital_q_of_bandwidth(1, 24_000, RATE_HZ), "frequency_hz"),
        (lambda: widths.digital_q_of_bandwidth(1, 0, RATE_HZ), "frequency_hz"),
        (lambda: widths.digital_bandwidth_of_q(1, 1000, NAN), "sample_rate_hz"),
        (lambda: widths.q_of_shelf_slope(0, 6), "slope"),
        (lambda: widths.q_of_shelf_slope(50, 6), "slope is too steep"),
        (lambda: widths.q_of_shelf_slope(1, NAN), "gain_db"),
        (lambda: widths.shelf_slope_of_q(-1, 6), "q must"),
    ],
)
def test_what_no_width_can_be_is_refused_by_name(call, argument):
    with pytest.raises(ValueError, match=argument):
        call()
