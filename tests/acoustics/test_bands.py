"""Octaves and their fractions: ISO 266:1997 names, IEC 61260-1:2014 mid-bands and edges."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from published import BANDS

from fleet.acoustics import bands

NAN = float("nan")
fractions = st.sampled_from([1, 2, 3, 6, 12, 24])

# IEC 61260-1:2014, 5.5: edges by formula, printed to four decimals.
EDGES_HZ = {0: (891.2509, 1122.0185), -10: (89.1251, 112.2018), 3: (1778.2794, 2238.7211), 13: (17782.7941, 22387.2114)}

OCTAVES_HZ = (31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000)
"""ISO 266:1997."""


@pytest.mark.parametrize(("index", "band"), BANDS.items())
def test_third_octaves_have_the_names_of_iso_266_and_the_midbands_of_iec_61260(index, band):
    nominal, exact = band
    assert bands.nominal_hz(index) == nominal
    assert bands.midband_hz(index, 3) == pytest.approx(exact, rel=1e-5)
    assert bands.band_index(exact, 3) == bands.band_index(nominal, 3) == index
    assert bands.exact_of_nominal_hz(nominal) == pytest.approx(exact, rel=1e-5)


def test_octaves_have_the_names_of_iso_266():
    assert tuple(bands.nominal_hz(index, 1) for index in range(-5, 5)) == OCTAVES_HZ
    assert bands.midband_hz([-1, 0, 3], 1) == pytest.approx([501.1872, 1000, 7943.2823], abs=1e-4)


def test_nominal_frequencies_far_out():
    # ISO 266 repeats its ten figures in each decade.
    assert [bands.nominal_hz(index) for index in (-30, -20, -18, 15, 20)] == [1, 10, 16, 31500, 100_000]


def test_an_even_number_of_bands_an_octave_lies_on_both_sides_of_1_khz():
    # IEC 61260-1:2014, 5.4: 1000 G^((2 x + 1) / (2 b)); 240 twenty-fourths of an octave from 20 Hz to 20 kHz.
    assert bands.midband_hz([-1, 0], 24) == pytest.approx([985.7119, 1014.4952], abs=1e-4)
    all_24 = bands.midbands_hz(20, 20_000, 24)
    inside = all_24[all_24 <= 20_000]
    assert len(inside) == 240
    assert inside[[0, -1]] == pytest.approx([20.2418, 19667.5381], abs=1e-4)


def test_a_twenty_fourth_of_an_octave_is_a_step_of_r80():
    # IEC 61260-1:2014, 5.2: octave ratio 10^(3/10).
    assert float(bands.midband_hz(1, 1)) == pytest.approx(1995.2623149688795, rel=1e-14)
    assert float(bands.midband_hz(1, 24) / bands.midband_hz(0, 24)) == pytest.approx(1.0292005272, rel=1e-10)


@pytest.mark.parametrize(("index", "edges"), EDGES_HZ.items())
def test_edges(index, edges):
    found = bands.band_edges_hz(bands.midband_hz(index, 3), 3)
    assert [float(edge) for edge in found] == pytest.approx(edges, abs=1e-4)


@given(per_octave=fractions, index=st.integers(-30, 30))
def test_bands_join_without_gaps(per_octave, index):
    _, upper = bands.band_edges_hz(bands.midband_hz(index, per_octave), per_octave)
    lower, _ = bands.band_edges_hz(bands.midband_hz(index + 1, per_octave), per_octave)
    assert upper == pytest.approx(float(lower), rel=1e-12)
    assert bands.band_index(float(bands.midband_hz(index, per_octave)), per_octave) == index


@given(per_octave=fractions, frequency_hz=st.floats(1, 100_000))
def test_a_frequency_lies_in_its_band(per_octave, frequency_hz):
    index = bands.band_index(frequency_hz, per_octave)
    lower, upper = bands.band_edges_hz(bands.midband_hz(index, per_octave), per_octave)
    assert lower * (1 - 1e-8) <= frequency_hz < upper * (1 + 1e-8)


@given(frequency_hz=st.floats(20, 20_000), per_octave=st.sampled_from([1, 3]))
def test_the_nearest_name_is_the_nearest_of_all(frequency_hz, per_octave):
    names = [bands.nominal_hz(index, per_octave) for index in range(-25, 25)]
    best = min(abs(np.log(name / frequency_hz)) for name in names)
    found = bands.nearest_nominal_hz(frequency_hz, per_octave)
    assert found in names
    assert abs(np.log(found / frequency_hz)) == pytest.approx(best, abs=1e-12)


@pytest.mark.parametrize(
    ("frequency_hz", "third", "octave"), [(3162.28, 3150, 4000), (440, 400, 500), (31, 31.5, 31.5)]
)
def test_nearest_names(frequency_hz, third, octave):
    assert bands.nearest_nominal_hz(frequency_hz) == third
    assert bands.nearest_nominal_hz(frequency_hz, 1) == octave


def test_ticks_are_preferred_frequencies():
    assert bands.ticks_hz(20, 20_000) == OCTAVES_HZ
    assert bands.ticks_hz(20, 20_000, 3) == tuple(nominal for nominal, _ in BANDS.values())
    assert bands.ticks_hz(101, 120, 3) == ()
    assert [bands.tick_label(hz) for hz in (31.5, 500, 1000, 3150, 16000)] == ["31.5", "500", "1k", "3.15k", "16k"]


@given(ends=st.tuples(st.floats(10, 20_000), st.floats(10, 20_000)), per_octave=st.sampled_from([1, 3]))
def test_ticks_stay_between_the_ends_and_ascend(ends, per_octave):
    ticks = bands.ticks_hz(min(ends), max(ends), per_octave)
    assert all(min(ends) <= tick <= max(ends) for tick in ticks)
    assert all(a < b for a, b in itertools.pairwise(ticks))


@pytest.mark.parametrize(
    ("call", "argument"),
    [
        (lambda: bands.midband_hz(0, 0), "per_octave"),
        (lambda: bands.midband_hz(0, 2.5), "per_octave"),
        (lambda: bands.band_index(0, 3), "frequency_hz"),
        (lambda: bands.band_index(NAN, 3), "frequency_hz"),
        (lambda: bands.band_edges_hz(-1, 3), "midband_hz"),
        (lambda: bands.midbands_hz(200, 100, 3), "low_hz"),
        (lambda: bands.ticks_hz(0, 100), "low_hz"),
        (lambda: bands.ticks_hz(20, float("inf")), "high_hz"),
        (lambda: bands.nominal_hz(0, 6), "per_octave"),
        (lambda: bands.nearest_nominal_hz(-5), "frequency_hz"),
        (lambda: bands.exact_of_nominal_hz(3000), "nominal"),
        (lambda: bands.tick_label(0), "frequency_hz"),
    ],
)
def test_what_no_band_can_be_is_refused_by_name(call, argument):
    with pytest.raises(ValueError, match=argument):
        call()


def test_an_edge_belongs_to_the_band_above_it():
    lower, _ = bands.band_edges_hz(bands.midband_hz(0, 3), 3)
    assert bands.band_index(float(lower), 3) == 0
