"""An independent implementation of the same sources: pyloudnorm's cookbook filters and its K-weighting of BS.1770."""

from __future__ import annotations

import numpy as np
import pyloudnorm
import pytest
from hypothesis import given
from hypothesis import strategies as st
from published import BS1770_SECTIONS

from fleet.acoustics import biquads
from fleet.acoustics.grid import R80_HZ
from fleet.acoustics.response import magnitude_db

RATE_HZ = 48_000
SHAPES = {"bell": "peaking", "low_shelf": "low_shelf", "high_shelf": "high_shelf"}
WITHOUT_GAIN = {"low_pass": "low_pass", "high_pass": "high_pass", "notch": "notch"}


def theirs(gain_db, q, frequency_hz, kind):
    made = pyloudnorm.IIRfilter(gain_db, q, frequency_hz, RATE_HZ, kind)
    return np.concatenate([made.b, made.a])


@given(
    shape=st.sampled_from(sorted(SHAPES)),
    frequency_hz=st.floats(20, 20_000),
    gain_db=st.floats(-15, 15),
    q=st.floats(0.3, 20),
)
def test_filters_with_gain(shape, frequency_hz, gain_db, q):
    ours = getattr(biquads, shape)(frequency_hz, gain_db, q, RATE_HZ)
    assert ours == pytest.approx(theirs(gain_db, q, frequency_hz, SHAPES[shape]), abs=1e-12)


@given(shape=st.sampled_from(sorted(WITHOUT_GAIN)), frequency_hz=st.floats(20, 20_000), q=st.floats(0.3, 20))
def test_filters_without_gain(shape, frequency_hz, q):
    ours = getattr(biquads, shape)(frequency_hz, q, RATE_HZ)
    assert ours == pytest.approx(theirs(0.0, q, frequency_hz, WITHOUT_GAIN[shape]), abs=1e-12)


def test_k_weighting_is_their_exact_one():
    shelf = theirs(3.99984385397, 0.7071752369554193, 1681.9744509555319, "high_shelf_DeMan")
    high_pass = theirs(0.0, 0.5003270373253953, 38.13547087613982, "high_pass_DeMan")
    found = magnitude_db(np.array(BS1770_SECTIONS), R80_HZ, RATE_HZ)
    assert found == pytest.approx(magnitude_db(np.stack([shelf, high_pass]), R80_HZ, RATE_HZ), abs=1e-6)


def test_a_full_scale_sine_of_997_hz_reads_minus_3_01():
    # Recommendation ITU-R BS.1770, Annex 1: 0 dBFS in one front channel reads -3.01 LKFS; -0.691 cancels the gain here.
    gain_db = magnitude_db(np.array(BS1770_SECTIONS), np.array([997.0]), RATE_HZ)[0]
    assert -0.691 + gain_db + 10 * np.log10(0.5) == pytest.approx(-3.01, abs=0.005)
    meter = pyloudnorm.Meter(RATE_HZ, filter_class="DeMan")
    sine = np.sin(2 * np.pi * 997 * np.arange(5 * RATE_HZ) / RATE_HZ)
    assert meter.integrated_loudness(sine) == pytest.approx(-0.691 + gain_db + 10 * np.log10(0.5), abs=0.002)
