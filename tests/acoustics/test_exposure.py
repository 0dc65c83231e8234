"""Exposure by NIOSH 98-126, 29 CFR 1910.95, Directive 2003/10/EC and the WHO standard of 2022."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.acoustics import exposure
from fleet.acoustics.exposure import NIOSH, OSHA

levels = st.floats(60, 130)
criteria = st.sampled_from([NIOSH, OSHA])
NAN = float("nan")

# NIOSH 98-126: T = 480 min / 2^((L - 85) / 3); its table prints 100 dBA: 15 min, 91: 2 h, 95: 47 min 37 s.
NIOSH_MINUTES = {80: 1523.9, 82: 960, 85: 480, 88: 240, 90: 151.2, 91: 120, 92: 95.2, 94: 60, 95: 47 + 37 / 60,
                 97: 30, 100: 15, 103: 7.5, 105: 4.725, 110: 1.488, 115: 0.469}  # fmt: skip

# 29 CFR 1910.95, table G-16a, as printed to three digits.
OSHA_HOURS = {80: 32, 81: 27.9, 82: 24.3, 83: 21.1, 84: 18.4, 85: 16, 86: 13.9, 90: 8, 92: 6.1, 95: 4, 97: 3.0,
              100: 2, 105: 1, 110: 0.5, 115: 0.25}  # fmt: skip


@pytest.mark.parametrize(("level_dba", "minutes"), NIOSH_MINUTES.items())
def test_allowed_times_of_niosh(level_dba, minutes):
    assert 60 * exposure.allowed_hours(level_dba, NIOSH) == pytest.approx(minutes, rel=1e-3)


@pytest.mark.parametrize(("level_dba", "hours"), OSHA_HOURS.items())
def test_allowed_times_of_osha(level_dba, hours):
    assert exposure.allowed_hours(level_dba, OSHA) == pytest.approx(hours, abs=0.051)


@given(level_dba=levels, criterion=criteria)
def test_time_halves_with_every_exchange_rate(level_dba, criterion):
    here, louder = exposure.allowed_hours([level_dba, level_dba + criterion.exchange_db], criterion)
    assert louder == pytest.approx(here / 2)


@given(level_dba=levels, criterion=criteria)
def test_the_allowed_time_is_a_dose_of_100_percent(level_dba, criterion):
    hours = float(exposure.allowed_hours(level_dba, criterion))
    assert exposure.dose_percent(level_dba, hours, criterion) == pytest.approx(100)


def test_a_worked_day():
    # The formulas of both sources; NIOSH: TWA = 10 log10(D / 100) + 85, OSHA: 16.61 log10(D / 100) + 90.
    day = ([95, 88, 80], [1.5, 3, 3.5])
    niosh, osha = exposure.dose_percent(*day, NIOSH), exposure.dose_percent(*day, OSHA)
    assert niosh == pytest.approx(277.77, abs=0.01)
    assert osha == pytest.approx(76.86, abs=0.01)
    assert exposure.time_weighted_average_dba(niosh, NIOSH) == pytest.approx(89.44, abs=0.005)
    assert exposure.time_weighted_average_dba(osha, OSHA) == pytest.approx(88.10, abs=0.005)


def test_two_hours_at_100_dba():
    assert exposure.dose_percent(100, 2, NIOSH) == pytest.approx(800)
    assert exposure.dose_percent(100, 2, OSHA) == pytest.approx(100)
    assert exposure.time_weighted_average_dba(800, NIOSH) == pytest.approx(94.03, abs=0.005)
    assert exposure.time_weighted_average_dba(100, OSHA) == 90


def test_92_dba_for_8_hours_is_a_dose_of_131_percent():
    # 29 CFR 1910.95, Appendix A: with the printed 6.1 h.
    assert exposure.dose_percent(92, 8, OSHA) == pytest.approx(131, abs=1)


def test_levels_under_a_threshold_are_left_out():
    assert exposure.dose_percent([95, 88, 80], [1.5, 3, 3.5], OSHA, threshold_dba=90) == pytest.approx(37.5)
    assert exposure.dose_percent([70], [8], OSHA, threshold_dba=80) == 0


@pytest.mark.parametrize(
    ("laeq_dba", "hours", "lex"), [(100, 2, 93.98), (100, 0.25, 84.95), (94, 4, 90.99), (85, 8, 85)]
)
def test_daily_exposure_level_of_2003_10_ec(laeq_dba, hours, lex):
    assert exposure.lex_8h_dba(laeq_dba, hours) == pytest.approx(lex, abs=0.005)


@pytest.mark.parametrize(("level_dba", "minutes"), [(85, 480), (88, 240), (91, 120), (94, 60), (97, 30), (100, 15)])
def test_equal_energy_of_85_dba_for_8_hours(level_dba, minutes):
    # SCENIHR, "Potential health risks of exposure to noise from personal music players" (2008), table on 2003/10/EC:
    # printed with 3 dB for a factor of 2, so 0.3 % off for each step.
    assert 60 * exposure.allowed_hours_for_lex_8h(level_dba, 85) == pytest.approx(minutes, rel=0.015)


@given(level_dba=levels, lex=st.sampled_from([80.0, 85.0, 87.0]))
def test_time_for_a_daily_exposure_level_reaches_it(level_dba, lex):
    hours = exposure.allowed_hours_for_lex_8h(level_dba, lex)
    assert exposure.lex_8h_dba(level_dba, hours) == pytest.approx(lex)


@pytest.mark.parametrize(
    ("levels_dba", "minutes", "leq"),
    [([103, 97], [5, 10], 99.997), ([105, 98], [3, 12], 100.558), ([103, 90], [7.5, 7.5], 100.202)],
)
def test_worked_laeq_of_15_minutes(levels_dba, minutes, leq):
    assert exposure.leq_dba(levels_dba, minutes) == pytest.approx(leq, abs=0.001)


@given(levels_dba=st.lists(levels, min_size=1, max_size=20))
def test_leq_lies_between_the_levels_and_not_below_their_mean(levels_dba):
    leq = exposure.leq_dba(levels_dba, 1.0)
    assert np.mean(levels_dba) - 1e-9 <= leq <= max(levels_dba) + 1e-9


def test_a_level_of_no_duration_does_not_count():
    assert exposure.leq_dba([90, 120], [10, 0]) == pytest.approx(90)


def test_minutes_by_who():
    # WHO (2022), feature 1: 100 dB LAeq,15 min; by energy 103.01 dB may last half of it.
    assert exposure.who_minutes([94, 100, 103.0103, 110]) == pytest.approx([15, 15, 7.5, 1.5], abs=1e-4)


@given(level_dba=st.floats(100, 120))
def test_minutes_by_who_reach_the_limit_and_no_more(level_dba):
    minutes = float(exposure.who_minutes(level_dba))
    assert exposure.leq_dba([level_dba, 0], [minutes, 15 - minutes]) == pytest.approx(100, abs=1e-3)


def test_a_moving_window_finds_the_loudest_quarter_of_an_hour():
    record = np.concatenate([np.full(20, 90.0), np.full(5, 103.0), np.full(20, 97.0)])
    found = exposure.moving_leq_dba(record, interval_s=60)
    assert len(found) == 45 - 15 + 1
    assert np.max(found) == pytest.approx(exposure.leq_dba([103, 97], [5, 10]))
    assert found[0] == pytest.approx(90)


@given(levels_dba=st.lists(levels, min_size=4, max_size=12))
def test_every_window_is_the_leq_of_its_levels(levels_dba):
    found = exposure.moving_leq_dba(levels_dba, interval_s=1, window_s=4)
    expected = [exposure.leq_dba(levels_dba[start : start + 4], 1.0) for start in range(len(levels_dba) - 3)]
    assert found == pytest.approx(expected)


@pytest.mark.parametrize(
    ("call", "argument"),
    [
        (lambda: exposure.allowed_hours(NAN, NIOSH), "level_dba"),
        (lambda: exposure.dose_percent([90], [-1], NIOSH), "hours"),
        (lambda: exposure.dose_percent([], [], NIOSH), "levels_dba"),
        (lambda: exposure.dose_percent([90], [1], NIOSH, NAN), "threshold_dba"),
        (lambda: exposure.time_weighted_average_dba(0, NIOSH), "dose_percent"),
        (lambda: exposure.leq_dba([90], [0]), "durations"),
        (lambda: exposure.leq_dba([float("inf")], [1]), "levels_dba"),
        (lambda: exposure.lex_8h_dba(90, 0), "hours"),
        (lambda: exposure.allowed_hours_for_lex_8h(90, NAN), "lex_8h_dba"),
        (lambda: exposure.who_minutes(NAN), "level_dba"),
        (lambda: exposure.moving_leq_dba([90] * 14, 60), "levels_dba must hold at least 15"),
        (lambda: exposure.moving_leq_dba([90] * 20, 7), "window_s must be a whole number"),
        (lambda: exposure.moving_leq_dba([90], 0), "interval_s"),
        (lambda: exposure.moving_leq_dba([90], 1, 0.5), "window_s"),
    ],
)
def test_what_no_day_can_be_is_refused_by_name(call, argument):
    with pytest.raises(ValueError, match=argument):
        call()


def test_a_window_of_one_interval_gives_back_the_levels():
    assert exposure.moving_leq_dba([90, 95], interval_s=1, window_s=1) == pytest.approx([90, 95])
