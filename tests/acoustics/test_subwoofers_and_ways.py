"""Pairs of subwoofers, ways summed at the crossover, and comb filters; 343.2 m/s throughout (ISO 9613-1 at 20 °C).

Expected values: |2 sin(2 pi f d / c)| and its kin, computed apart from this code; combs as in F. A. Everest, "Master
Handbook of Acoustics" (nulls at odd multiples of 1 / (2 t)); crossovers: S. Linkwitz, JAES 24(1), 1976.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.acoustics import combs, sums
from fleet.acoustics.crossovers import crossover
from fleet.acoustics.delay import ms_of_m
from fleet.acoustics.grid import R80_HZ
from fleet.acoustics.subwoofers import (
    Pair,
    end_fire_pair,
    gradient_marks,
    gradient_pair,
    pair_response_db,
    quarter_wave_m,
    spacing_delay_ms,
)
from fleet.acoustics.ways import Way, summed_db, way_response

RATE_HZ = 48_000
FRONT, SIDE, REAR = 0, 90, 180
NAN = float("nan")

spacings = st.floats(0.3, 3)
low_frequencies = st.floats(20, 200)


@pytest.mark.parametrize(
    ("spacing_m", "delay_ms", "peak_hz", "plus_3_db_hz", "zero_db_hz", "null_hz"),
    [
        (0.75, 2.1853, 114.40, (57.20, 171.60), (38.13, 190.67), 228.80),
        (0.85, 2.4767, 100.94, (50.47, 151.41), (33.65, 168.24), 201.88),
        (1.00, 2.9138, 85.80, (42.90, 128.70), (28.60, 143.00), 171.60),
        (1.27, 3.7005, 67.56, (33.78, 101.34), (22.52, 112.60), 135.12),
        (1.50, 4.3706, 57.20, (28.60, 85.80), (19.07, 95.33), 114.40),
    ],
)
def test_marks_of_gradient_pairs(spacing_m, delay_ms, peak_hz, plus_3_db_hz, zero_db_hz, null_hz):
    pair, marks = gradient_pair(spacing_m), gradient_marks(spacing_m)
    assert pair.rear_delay_ms == pytest.approx(delay_ms, abs=1e-4)
    assert marks.peak_hz == pytest.approx(peak_hz, abs=0.01)
    assert marks.plus_3_db_hz == pytest.approx(plus_3_db_hz, abs=0.01)
    assert marks.zero_db_hz == pytest.approx(zero_db_hz, abs=0.01)
    assert marks.null_hz == pytest.approx(null_hz, abs=0.01)
    assert pair_response_db(pair, marks.peak_hz) == pytest.approx(6.0206, abs=1e-4)
    assert pair_response_db(pair, marks.plus_3_db_hz) == pytest.approx([3.0103] * 2, abs=1e-4)
    assert pair_response_db(pair, marks.zero_db_hz) == pytest.approx([0] * 2, abs=1e-4)
    assert pair_response_db(pair, marks.null_hz) < -200
    assert quarter_wave_m(marks.peak_hz) == pytest.approx(spacing_m)


@pytest.mark.parametrize(
    ("frequency_hz", "front_db", "side_db", "rear_0_1_ms_db", "rear_0_5_ms_db"),
    [
        (40, 2.524, -2.901, -31.995, -18.022),
        (60, 5.013, 0.375, -28.474, -14.507),
        (80, 5.972, 2.524, -25.976, -12.018),
        (100, 5.724, 4.004, -24.038, -10.093),
        (120, 4.194, 5.013, -22.455, -8.525),
    ],
)
def test_a_gradient_pair_of_1_m(frequency_hz, front_db, side_db, rear_0_1_ms_db, rear_0_5_ms_db):
    pair = gradient_pair(1.0)
    assert pair_response_db(pair, frequency_hz, [FRONT, SIDE]) == pytest.approx([front_db, side_db], abs=0.001)
    assert pair_response_db(pair, frequency_hz, REAR) < -200
    late = [replace(pair, rear_delay_ms=pair.rear_delay_ms + error) for error in (0.1, 0.5)]
    found = [float(pair_response_db(each, frequency_hz, REAR)) for each in late]
    assert found == pytest.approx([rear_0_1_ms_db, rear_0_5_ms_db], abs=0.001)
    quieter = replace(pair, rear_level_db=-1)
    assert pair_response_db(quieter, frequency_hz, REAR) == pytest.approx(-19.271, abs=0.001)


def test_with_polarity_forgotten_a_gradient_pair_points_backwards():
    forgotten = replace(gradient_pair(1.0), rear_inverted=False)
    assert pair_response_db(forgotten, 60, [FRONT, REAR]) == pytest.approx([-0.82, 6.02], abs=0.005)


@given(spacing_m=spacings, frequency_hz=low_frequencies)
def test_an_end_fire_pair_adds_fully_to_the_front(spacing_m, frequency_hz):
    assert pair_response_db(end_fire_pair(spacing_m), frequency_hz, FRONT) == pytest.approx(6.0206, abs=1e-4)


def test_an_end_fire_pair_cancels_to_the_rear_only_at_a_quarter_wave():
    pair = end_fire_pair(1.0)
    assert pair_response_db(pair, 85.8, REAR) < -200
    # |2 cos(2 pi f d / c)|.
    assert pair_response_db(pair, 60, REAR) == pytest.approx(20 * np.log10(2 * np.cos(2 * np.pi * 60 / 343.2)))


@given(
    spacing_m=spacings,
    frequency_hz=low_frequencies,
    angle_deg=st.floats(0, 180),
    rear_delay_ms=st.floats(0, 10),
    rear_level_db=st.floats(-12, 12),
)
def test_a_pair_never_exceeds_both_in_phase_and_looks_alike_from_left_and_right(
    spacing_m, frequency_hz, angle_deg, rear_delay_ms, rear_level_db
):
    pair = Pair(spacing_m, rear_delay_ms=rear_delay_ms, rear_level_db=rear_level_db)
    left, right = pair_response_db(pair, frequency_hz, [angle_deg, -angle_deg])
    assert left == pytest.approx(right, abs=1e-6)
    assert left <= sums.coherent_sum_db([0, rear_level_db]) + 1e-9


def test_the_delay_of_a_spacing_follows_the_weather():
    assert spacing_delay_ms(1.0) == pytest.approx(2.9138, abs=1e-4)
    assert spacing_delay_ms(1.0, 0.0) == pytest.approx(3.01854, abs=1e-5)
    warm = gradient_pair(1.0, 30)
    assert pair_response_db(warm, 60, REAR, 30) < -200 < pair_response_db(warm, 60, REAR, 10)


@pytest.mark.parametrize(
    ("family", "slope", "inverted", "at_corner_db"),
    [
        ("butterworth", 6, False, 0.0),
        ("butterworth", 6, True, 0.0),
        ("butterworth", 12, True, 3.010),
        ("butterworth", 18, False, 0.0),
        ("butterworth", 18, True, 0.0),
        ("butterworth", 24, False, 3.010),
        ("linkwitz_riley", 12, True, 0.0),
        ("linkwitz_riley", 24, False, 0.0),
    ],
)
def test_ways_of_one_crossover(family, slope, inverted, at_corner_db):
    low = Way(crossover("low_pass", family, slope, 1000, RATE_HZ))
    high = Way(crossover("high_pass", family, slope, 1000, RATE_HZ), inverted=inverted)
    found = summed_db([low, high], R80_HZ, RATE_HZ)
    assert found[136] == pytest.approx(at_corner_db, abs=0.001)
    assert np.max(found) == pytest.approx(at_corner_db, abs=0.001)
    assert np.min(found) == pytest.approx(0, abs=0.005)


@pytest.mark.parametrize(("family", "inverted"), [("butterworth", True), ("linkwitz_riley", True)])
def test_the_wrong_polarity_at_24_db_per_octave_is_a_null(family, inverted):
    low = Way(crossover("low_pass", family, 24, 100, RATE_HZ))
    high = Way(crossover("high_pass", family, 24, 100, RATE_HZ), inverted=inverted)
    assert summed_db([low, high], 100, RATE_HZ) < -60


def test_tops_left_full_range_dig_a_hole_at_the_crossover():
    sub, top = Way(crossover("low_pass", "linkwitz_riley", 24, 100, RATE_HZ)), Way()
    found = summed_db([sub, top], [20, 50, 92.1, 100, 200], RATE_HZ)
    assert found == pytest.approx([5.65, 3.00, -6.86, -6.02, 0.04], abs=0.005)


@given(frequency_hz=st.floats(20, 20_000), error_ms=st.floats(0, 5))
def test_two_ways_with_a_timing_error_lose_as_computed(frequency_hz, error_ms):
    found = summed_db([Way(), Way(delay_ms=error_ms)], frequency_hz, RATE_HZ)
    expected = 20 * np.log10(2) - sums.timing_loss_db(frequency_hz, error_ms)
    assert found == pytest.approx(expected, abs=0.01) or expected < -60


def test_a_delayed_way_is_late():
    # 1 ms is 36 degrees at 100 Hz; the phase of what comes later is negative.
    found = way_response(Way(delay_ms=1), 100, RATE_HZ)
    assert np.degrees(np.angle(found)) == pytest.approx([-36])


def test_delay_stands_in_for_the_group_delay_of_a_low_pass():
    # A Linkwitz-Riley low-pass of 24 dB per octave at 100 Hz holds up low frequencies by 4.502 ms.
    sub = Way(crossover("low_pass", "linkwitz_riley", 24, 100, RATE_HZ))
    late, early = (summed_db([sub, Way(delay_ms=each)], 20, RATE_HZ) for each in (4.502, 0))
    assert late > early
    assert late == pytest.approx(sums.coherent_sum_db([0, -20 * np.log10(1 + 0.2**4)]), abs=0.01)


@given(levels_db=st.lists(st.floats(-20, 20), min_size=1, max_size=5))
def test_ways_without_filters_sum_as_levels(levels_db):
    found = summed_db([Way(level_db=each) for each in levels_db], [100.0, 1000.0], RATE_HZ)
    assert found == pytest.approx(np.full(2, sums.coherent_sum_db(levels_db)))


@pytest.mark.parametrize(
    ("delay_ms", "nulls", "peaks"),
    [
        (0.1, [5000, 15000], [10000, 20000]),
        (0.5, [1000, 3000, 5000], [2000, 4000, 6000]),
        (1, [500, 1500, 2500], [1000, 2000, 3000]),
        (5, [100, 300, 500], [200, 400, 600]),
        (20, [25, 75, 125], [50, 100, 150]),
    ],
)
def test_nulls_and_peaks_of_combs(delay_ms, nulls, peaks):
    count = len(nulls)
    assert combs.nulls_hz(delay_ms, 20_000)[:count] == pytest.approx(nulls)
    assert combs.peaks_hz(delay_ms, 20_000)[:count] == pytest.approx(peaks)
    assert combs.peaks_hz(delay_ms, 20_000, inverted=True)[:count] == pytest.approx(nulls)
    assert combs.nulls_hz(delay_ms, 20_000, inverted=True)[:count] == pytest.approx(peaks)


def test_combs_end_at_the_highest_frequency():
    assert combs.nulls_hz(1, 2500)[-1] == pytest.approx(2500)
    assert combs.nulls_hz(1, 2499)[-1] == pytest.approx(1500)
    assert combs.nulls_hz(0.01, 20_000).size == 0


@given(delay_ms=st.floats(0.05, 20))
def test_the_first_null_is_one_and_the_first_peak_too(delay_ms):
    null, peak = combs.nulls_hz(delay_ms, 20_000)[0], 1000 / delay_ms
    copy = [Way(), Way(delay_ms=delay_ms)]
    assert summed_db(copy, null, RATE_HZ) < -60
    assert summed_db(copy, peak, RATE_HZ) == pytest.approx(6.0206, abs=1e-3)


def test_depth_of_combs_by_level_difference():
    differences = [1, 3, 6, 8, 10, 12, 15, 20]
    peaks = [5.535, 4.649, 3.529, 2.911, 2.387, 1.946, 1.422, 0.828]
    nulls = [-19.271, -10.691, -6.041, -4.410, -3.302, -2.513, -1.701, -0.915]
    ripples = [24.81, 15.34, 9.57, 7.32, 5.69, 4.46, 3.12, 1.74]
    assert combs.peak_db(differences) == pytest.approx(peaks, abs=0.001)
    assert combs.null_db(differences) == pytest.approx(nulls, abs=0.001)
    assert combs.ripple_db(differences) == pytest.approx(ripples, abs=0.006)
    assert combs.peak_db(0) == pytest.approx(6.0206, abs=1e-4)
    assert combs.null_db(0) == -400


@given(difference_db=st.floats(0.1, 60), more_db=st.floats(0.1, 10))
def test_ripple_shrinks_with_the_difference(difference_db, more_db):
    assert combs.ripple_db(difference_db + more_db) < combs.ripple_db(difference_db)
    assert combs.ripple_db(-difference_db) == combs.ripple_db(difference_db)


@pytest.mark.parametrize(
    ("distance_m", "frequency_hz", "quarter_ms"), [(2.145, 40, 6.25), (1.0725, 80, 3.125), (0.858, 100, 2.5)]
)
def test_quarter_waves(distance_m, frequency_hz, quarter_ms):
    assert quarter_wave_m(frequency_hz) == pytest.approx(distance_m)
    assert ms_of_m(distance_m) == pytest.approx(quarter_ms)


@pytest.mark.parametrize(
    ("call", "argument"),
    [
        (lambda: gradient_pair(0), "spacing_m"),
        (lambda: end_fire_pair(NAN), "spacing_m"),
        (lambda: gradient_pair(1, -300), "temperature_c"),
        (lambda: Pair(1, rear_delay_ms=-1), "rear_delay_ms"),
        (lambda: Pair(1, front_delay_ms=NAN), "front_delay_ms"),
        (lambda: Pair(1, rear_level_db=float("inf")), "rear_level_db"),
        (lambda: pair_response_db(gradient_pair(1), 0), "frequency_hz"),
        (lambda: pair_response_db(gradient_pair(1), 60, NAN), "angle_deg"),
        (lambda: gradient_marks(-1), "spacing_m"),
        (lambda: quarter_wave_m(0), "frequency_hz"),
        (lambda: Way(delay_ms=NAN), "delay_ms"),
        (lambda: Way(level_db=float("inf")), "level_db"),
        (lambda: Way(np.ones(6)), "sections"),
        (lambda: Way(np.full((1, 6), NAN)), "sections"),
        (lambda: summed_db([], 100, RATE_HZ), "ways"),
        (lambda: summed_db([Way()], 24_000, RATE_HZ), "frequencies_hz"),
        (lambda: summed_db([Way()], 100, 0), "sample_rate_hz"),
        (lambda: combs.nulls_hz(0, 1000), "delay_ms"),
        (lambda: combs.peaks_hz(1, NAN), "highest_hz"),
        (lambda: combs.ripple_db(NAN), "difference_db"),
    ],
)
def test_what_no_loudspeakers_can_be_is_refused_by_name(call, argument):
    with pytest.raises(ValueError, match=argument):
        call()
