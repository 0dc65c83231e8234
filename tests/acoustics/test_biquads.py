"""Second- and first-order sections against the Audio EQ Cookbook (W3C Note, 2021), scipy and their own identities."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from published import BS1770_DB, BS1770_SECTIONS, COOKBOOK, COOKBOOK_DB
from scipy import signal

from fleet.acoustics import biquads
from fleet.acoustics.grid import R80_HZ
from fleet.acoustics.response import magnitude_db, phase_deg

RATE_HZ = 48_000
frequencies = st.floats(20, 20_000)
gains = st.floats(-15, 15)
qs = st.floats(0.3, 20)
shapes = st.sampled_from(["bell", "low_shelf", "high_shelf"])


def made(shape, frequency_hz, gain_db, q, rate_hz=RATE_HZ):
    make = getattr(biquads, shape)
    return make(frequency_hz, q, rate_hz) if gain_db is None else make(frequency_hz, gain_db, q, rate_hz)


@pytest.mark.parametrize("filter_", COOKBOOK, ids=str)
def test_coefficients_are_the_cookbooks(filter_):
    b0, b1, b2, a1, a2 = COOKBOOK[filter_]
    assert made(*filter_) == pytest.approx([b0, b1, b2, 1, a1, a2], abs=1e-9)


@pytest.mark.parametrize("filter_", COOKBOOK_DB, ids=str)
def test_magnitudes_are_the_cookbooks(filter_):
    expected = COOKBOOK_DB[filter_]
    at_hz = np.array(list(expected), dtype=float)
    found_db = magnitude_db(made(*filter_)[None], at_hz, RATE_HZ)
    assert found_db == pytest.approx(list(expected.values()), abs=0.001)


def test_k_weighting_has_the_response_of_bs_1770():
    at_hz = np.array(list(BS1770_DB), dtype=float)
    found_db = magnitude_db(np.array(BS1770_SECTIONS), at_hz, RATE_HZ)
    assert found_db == pytest.approx(list(BS1770_DB.values()), abs=0.001)


@pytest.mark.parametrize(("make", "kind"), [("first_order_low_pass", "low"), ("first_order_high_pass", "high")])
def test_first_order_sections_are_scipys_butterworth(make, kind):
    b, a = signal.butter(1, 700, kind, fs=RATE_HZ)
    assert getattr(biquads, make)(700, RATE_HZ) == pytest.approx([*b, 0, *a, 0], abs=1e-12)


@given(shape=shapes, frequency_hz=frequencies, gain_db=gains, q=qs)
def test_magnitude_is_that_of_scipy_freqz(shape, frequency_hz, gain_db, q):
    row = made(shape, frequency_hz, gain_db, q)
    _, response = signal.freqz(row[:3], row[3:], worN=R80_HZ, fs=RATE_HZ)
    assert magnitude_db(row[None], R80_HZ, RATE_HZ) == pytest.approx(20 * np.log10(np.abs(response)), abs=1e-6)


@given(shape=shapes, frequency_hz=frequencies, gain_db=gains, q=qs)
def test_the_opposite_gain_cancels(shape, frequency_hz, gain_db, q):
    both = np.stack([made(shape, frequency_hz, gain_db, q), made(shape, frequency_hz, -gain_db, q)])
    assert np.max(np.abs(magnitude_db(both, R80_HZ, RATE_HZ))) < 1e-6


@given(frequency_hz=frequencies, gain_db=gains, q=qs)
def test_gains_at_the_centre_and_far_away(frequency_hz, gain_db, q):
    at_hz = np.array([1e-3, frequency_hz, RATE_HZ / 2])
    bell, low, high = (magnitude_db(made(s, frequency_hz, gain_db, q)[None], at_hz, RATE_HZ)
                       for s in ("bell", "low_shelf", "high_shelf"))  # fmt: skip
    assert bell == pytest.approx([0, gain_db, 0], abs=1e-3)
    assert low == pytest.approx([gain_db, gain_db / 2, 0], abs=1e-3)
    assert high == pytest.approx([0, gain_db / 2, gain_db], abs=1e-3)


@given(frequency_hz=frequencies, q=qs)
def test_all_pass_is_flat_and_turns_by_180_degrees(frequency_hz, q):
    row = biquads.all_pass(frequency_hz, q, RATE_HZ)[None]
    assert np.max(np.abs(magnitude_db(row, R80_HZ, RATE_HZ))) < 1e-6
    assert abs(phase_deg(row, np.array([frequency_hz]), RATE_HZ)[0]) == pytest.approx(180, abs=1e-3)


@given(frequency_hz=frequencies, q=qs)
def test_notch_lets_nothing_through(frequency_hz, q):
    row = biquads.notch(frequency_hz, q, RATE_HZ)[None]
    # Exactly nothing but for cancellation, which is worst at the lowest frequencies.
    assert magnitude_db(row, np.array([frequency_hz]), RATE_HZ)[0] < -60


@given(shape=shapes, frequency_hz=frequencies, gain_db=gains, q=qs)
def test_every_section_is_stable(shape, frequency_hz, gain_db, q):
    assert np.all(np.abs(np.roots(made(shape, frequency_hz, gain_db, q)[3:])) < 1)


def test_arrays_broadcast():
    rows = biquads.bell(np.array([[100.0], [200.0]]), np.array([1.0, 2.0, 3.0]), 1.0, RATE_HZ)
    assert rows.shape == (2, 3, 6)
    assert rows[1, 2] == pytest.approx(biquads.bell(200, 3, 1, RATE_HZ))


@pytest.mark.parametrize(("frequency_hz", "q"), [(0, 1), (24_000, 1), (-5, 1), (1000, 0), (1000, -1)])
def test_what_no_filter_can_be_is_refused(frequency_hz, q):
    with pytest.raises(ValueError, match=r"frequency|q must"):
        biquads.bell(frequency_hz, 3, q, RATE_HZ)
