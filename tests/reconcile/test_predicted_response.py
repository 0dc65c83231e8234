"""The predicted response of an output, and the largest rise that guard rails look at."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from parts import FULL, bell, changed, crossover, description_of, output_settings, untimed
from scipy import signal

from fleet.acoustics.grid import R80_HZ
from fleet.errors import BadInput
from fleet.model.settings import OutputSettings
from fleet.reconcile.response import largest_rise_db, output_response_db

BOX = description_of()


def rise(before, after):
    return largest_rise_db(BOX, 1, before, after)


def test_level_and_crossover_are_scipys():
    settings = OutputSettings(level_db=-6, high_pass=crossover(90, "butterworth", 24))
    sos = signal.butter(4, 90, "high", fs=48_000, output="sos")
    _, expected = signal.sosfreqz(sos, worN=R80_HZ, fs=48_000)
    assert output_response_db(BOX, 1, settings) == pytest.approx(20 * np.log10(np.abs(expected)) - 6, abs=1e-6)


def test_nothing_given_is_flat_and_mute_is_nothing():
    assert np.all(output_response_db(BOX, 1, OutputSettings()) == 0)
    assert np.all(output_response_db(BOX, 1, OutputSettings(mute=True)) == -np.inf)
    assert len(output_response_db(description_of(sample_rate_hz=32_000), 1, FULL)) < len(R80_HZ)
    with pytest.raises(BadInput, match="no output 3"):
        output_response_db(BOX, 3, FULL)


@pytest.mark.parametrize(
    ("before", "after", "expected_db"),
    [
        (FULL, FULL, 0),
        (FULL, changed(FULL, level_db=-3), 3),
        (FULL, changed(FULL, level_db=-10), -4),
        (FULL, OutputSettings(), 0),
        (OutputSettings(eq=()), OutputSettings(eq=(bell(1000, 5, 1),)), 5),
        (OutputSettings(eq=(bell(1014.5, -8, 60),)), OutputSettings(eq=()), 8),
        (OutputSettings(level_db=-6, eq=()), OutputSettings(level_db=-9, eq=(bell(1000, 5, 1),)), 2),
        (OutputSettings(eq=()), OutputSettings(eq=(bell(25, 12, 10),)), 0),
    ],
)
def test_the_largest_rise_in_the_passband(before, after, expected_db):
    assert rise(before, after) == pytest.approx(expected_db, abs=0.1)


def test_taking_a_high_pass_out_is_a_rise_at_the_bottom_of_the_passband():
    # Linkwitz-Riley 24 at 90 Hz is 1 / (1 + (90/58)^4) at 58 Hz: 16.65 dB down (Linkwitz, JAES 24(1), 1976).
    assert rise(FULL, changed(FULL, high_pass="none")) == pytest.approx(20 * np.log10(1 + (90 / 58) ** 4), abs=0.01)


@untimed
@given(one=output_settings, other=output_settings)
def test_what_rises_one_way_falls_the_other(one, other):
    assert rise(one, one) == pytest.approx(0, abs=1e-9)
    assert rise(one, other) >= -rise(other, one) - 1e-9
