"""Levels by distance and power, sums of sources, and what a timing error costs.

The formulas are of any handbook (G. Ballou, ed., "Handbook for Sound Engineers"); expected values are arithmetic,
computed apart from this code.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.acoustics import level, sums

levels = st.floats(-60, 140)


@pytest.mark.parametrize(
    ("sensitivity_db", "power_w", "distance_m", "expected_db"),
    [(90, 100, 8, 91.938), (87, 30, 3, 92.229), (93, 250, 20, 90.959), (88, 6, 2.2, 88.933), (93, 250, 2, 110.959)],
)
def test_level_from_sensitivity_power_and_distance(sensitivity_db, power_w, distance_m, expected_db):
    assert level.level_db(sensitivity_db, power_w, distance_m) == pytest.approx(expected_db, abs=0.001)


def test_distance_and_power_tables():
    distances = level.distance_gain_db([2, 4, 8, 10, 20, 50])
    powers = level.power_gain_db([2, 5, 10, 30, 100, 250])
    assert distances == pytest.approx([-6.021, -12.041, -18.062, -20, -26.021, -33.979], abs=0.001)
    assert powers == pytest.approx([3.010, 6.990, 10, 14.771, 20, 23.979], abs=0.001)
    assert level.distance_gain_db(20, 10) == pytest.approx(-6.0206, abs=1e-4)


def test_2_83_volts_flatter_low_impedances():
    assert level.power_w(2.83, [4, 8]) == pytest.approx([2.002, 1.0011], abs=0.0005)
    gains = level.sensitivity_at_2_83_v_db(90, [4, 8, 16]) - 90
    assert gains == pytest.approx([3.015, 0.005, -3.005], abs=0.001)


@given(sensitivity_db=st.floats(60, 120), impedance_ohm=st.floats(1, 100))
def test_sensitivities_turn_into_each_other(sensitivity_db, impedance_ohm):
    stated = level.sensitivity_at_2_83_v_db(sensitivity_db, impedance_ohm)
    assert level.sensitivity_at_1_w_db(stated, impedance_ohm) == pytest.approx(sensitivity_db)


def test_peak_needs_a_stated_crest_factor():
    assert level.crest_factor_db([1, 1.9953, 3.981]) == pytest.approx([0, 6, 12], abs=0.001)
    # A sine's peak is sqrt(2) of its r.m.s. value.
    assert level.crest_factor_db(2**0.5) == pytest.approx(3.0103, abs=1e-4)
    assert level.peak_db(100, [6, 12]) == pytest.approx([106, 112])


def test_headroom_is_negative_above_the_limit():
    assert level.headroom_db([93, 100, 103], 100) == pytest.approx([7, 0, -3])


def test_critical_distance():
    # 0.057 sqrt(Q V / T60), as handbooks print it.
    assert level.critical_distance_m([5, 10], 3000, 1.5) == pytest.approx([5.70, 8.06], abs=0.005)


@pytest.mark.parametrize(
    ("levels_db", "incoherent_db", "coherent_db"),
    [
        ([80, 80], 83.010, 86.021),
        ([80, 77], 81.764, 84.650),
        ([80, 74], 80.973, 83.529),
        ([80, 70], 80.414, 82.387),
        ([90, 90, 90], 94.771, 99.542),
        ([85, 82, 79], 87.436, 91.884),
        ([94, 94, 94, 94], 100.021, 106.041),
    ],
)
def test_sums_of_levels(levels_db, incoherent_db, coherent_db):
    assert sums.incoherent_sum_db(levels_db) == pytest.approx(incoherent_db, abs=0.001)
    assert sums.coherent_sum_db(levels_db) == pytest.approx(coherent_db, abs=0.001)


@given(level_db=levels, count=st.integers(1, 100))
def test_equal_sources_add_by_their_number(level_db, count):
    equal = np.full(count, level_db)
    assert sums.incoherent_sum_db(equal) == pytest.approx(level_db + sums.incoherent_gain_db(count))
    assert sums.coherent_sum_db(equal) == pytest.approx(level_db + sums.coherent_gain_db(count))


@given(levels_db=st.lists(levels, min_size=1, max_size=20))
def test_an_incoherent_sum_never_exceeds_the_coherent_one(levels_db):
    incoherent, coherent = sums.incoherent_sum_db(levels_db), sums.coherent_sum_db(levels_db)
    assert max(levels_db) <= incoherent <= coherent + 1e-9


@given(levels_db=st.lists(levels, min_size=2, max_size=10))
def test_the_order_of_summing_does_not_matter(levels_db):
    first_two = [float(sums.incoherent_sum_db(levels_db[:2])), *levels_db[2:]]
    assert sums.incoherent_sum_db(first_two) == pytest.approx(float(sums.incoherent_sum_db(levels_db)))


def test_sums_run_over_the_last_axis():
    assert sums.coherent_sum_db([[80, 80], [90, 90]]) == pytest.approx([86.021, 96.021], abs=0.001)


def test_two_equal_sources_with_a_phase_between_them():
    # 20 log10(2 |cos(phase / 2)|).
    found = sums.sum_of_two_db(0, 0, [0, 30, 60, 90, 120, 150, 170])
    assert found == pytest.approx([6.021, 5.719, 4.771, 3.010, 0, -5.719, -15.173], abs=0.001)
    assert sums.sum_of_two_db(80, 80, 180) < -200


def test_two_unequal_sources_with_a_phase_between_them():
    # In phase the coherent sum, opposed 20 log10(1 - g), at a right angle the sum of energies.
    assert sums.sum_of_two_db(80, 77, [0, 90, 180]) == pytest.approx([84.650, 81.764, 69.309], abs=0.001)


@given(one_db=levels, other_db=levels, phase_deg=st.floats(-720, 720))
def test_two_sources_stay_between_addition_and_cancellation(one_db, other_db, phase_deg):
    found = sums.sum_of_two_db(one_db, other_db, phase_deg)
    assert found <= sums.coherent_sum_db([one_db, other_db]) + 1e-9
    assert found >= sums.sum_of_two_db(one_db, other_db, 180) - 1e-9
    assert found == pytest.approx(float(sums.sum_of_two_db(other_db, one_db, -phase_deg)), abs=1e-6)


@pytest.mark.parametrize(
    ("loss_db", "phase_deg", "at_80_hz_ms", "at_100_hz_ms", "at_1_khz_ms"),
    [
        (0.1, 17.36, 0.603, 0.482, 0.048),
        (0.5, 38.51, 1.337, 1.070, 0.107),
        (1.0, 53.94, 1.873, 1.498, 0.150),
        (3.0, 89.86, 3.120, 2.496, 0.250),
        (6.0206, 120.0, 4.167, 3.333, 0.333),
    ],
)
def test_timing_errors_and_what_they_cost(loss_db, phase_deg, at_80_hz_ms, at_100_hz_ms, at_1_khz_ms):
    # -20 log10 cos(phase / 2).
    errors = sums.timing_for_loss_ms([80, 100, 1000], loss_db)
    assert errors == pytest.approx([at_80_hz_ms, at_100_hz_ms, at_1_khz_ms], abs=0.0006)
    assert sums.phase_of_time_deg(80, errors[0]) == pytest.approx(phase_deg, abs=0.01)


@given(frequency_hz=st.floats(20, 20_000), loss_db=st.floats(0.01, 60))
def test_a_timing_error_costs_what_it_was_worked_out_for(frequency_hz, loss_db):
    error_ms = sums.timing_for_loss_ms(frequency_hz, loss_db)
    assert sums.timing_loss_db(frequency_hz, error_ms) == pytest.approx(loss_db, rel=1e-6)
    assert sums.timing_loss_db(frequency_hz, 0) == 0


@pytest.mark.parametrize(
    ("call", "argument"),
    [
        (lambda: level.level_db(90, 0, 1), "power_w"),
        (lambda: level.level_db(90, 1, 0), "distance_m"),
        (lambda: level.level_db(float("nan"), 1, 1), "sensitivity_db"),
        (lambda: level.distance_gain_db(1, -1), "reference_m"),
        (lambda: level.power_w(-1, 8), "voltage_v"),
        (lambda: level.power_w(1, 0), "impedance_ohm"),
        (lambda: level.crest_factor_db(0.9), "peak_to_rms"),
        (lambda: level.peak_db(100, -1), "crest_factor_db"),
        (lambda: level.headroom_db(90, float("inf")), "limit_db"),
        (lambda: level.critical_distance_m(0, 3000, 1), "directivity"),
        (lambda: level.critical_distance_m(5, 3000, 0), "reverberation_s"),
        (lambda: sums.incoherent_sum_db([]), "levels_db"),
        (lambda: sums.coherent_sum_db([80, float("-inf")]), "levels_db"),
        (lambda: sums.incoherent_gain_db(0), "count"),
        (lambda: sums.sum_of_two_db(0, 0, float("nan")), "phase_deg"),
        (lambda: sums.timing_loss_db(0, 1), "frequency_hz"),
        (lambda: sums.timing_for_loss_ms(80, 0), "loss_db"),
    ],
)
def test_what_no_source_can_be_is_refused_by_name(call, argument):
    with pytest.raises(ValueError, match=argument):
        call()
