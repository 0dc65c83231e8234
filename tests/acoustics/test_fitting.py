"""Bands for a target curve: known filters found again, bounds kept, the same every time, never worse with more bands.

The response of what was found is computed by scipy.signal.sosfreqz from the cookbook's coefficients, not by the fit.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from fleet.acoustics import biquads
from fleet.acoustics.fitting import (
    GOOD_ENOUGH_DB,
    MOST_BANDS,
    Fit,
    FittedBand,
    Limits,
    best,
    fit,
    fits,
    interpolated_db,
)
from fleet.acoustics.grid import R80_HZ

FULL_RANGE_HZ = (30.0, 18_000.0)
HOUSE = [(31.5, 4), (125, 2.5), (1000, 0), (8000, -2), (16000, -4)]
GRAPHIC = Limits(shapes=("bell",), frequency_hz=(1000.0, 1000.0), gain_db=(-6.0, 6.0), q=(2.0, 2.0))
targets = st.lists(
    st.tuples(st.floats(25, 16_000), st.floats(-8, 8)), min_size=2, max_size=6, unique_by=lambda point: point[0]
).map(lambda points: interpolated_db(points, R80_HZ))
searched = settings(max_examples=8)


def response_db(bands, rate_hz, at_hz=R80_HZ):
    rows = [getattr(biquads, band.shape)(band.frequency_hz, band.gain_db, band.q, rate_hz) for band in bands]
    if not rows:
        return np.zeros(len(at_hz))
    return 20 * np.log10(np.abs(signal.sosfreqz(np.array(rows), worN=at_hz, fs=rate_hz)[1]))


def inside(passband_hz=FULL_RANGE_HZ):
    return (passband_hz[0] <= R80_HZ) & (passband_hz[1] >= R80_HZ)


KNOWN = [
    [FittedBand("bell", 2500, -6, 1.4)],
    [FittedBand("low_shelf", 90, 3.5, 0.7)],
    [
        FittedBand("low_shelf", 90, 2.5, 0.7),
        FittedBand("bell", 2500, -2, 1.4),
        FittedBand("high_shelf", 8000, -1.5, 0.7),
    ],
    [FittedBand("bell", 160, -5, 2), FittedBand("bell", 630, 3, 1), FittedBand("bell", 4000, -4, 3)],
    [FittedBand("bell", 200, 4, 1), FittedBand("bell", 200, -4, 4)],
]


@pytest.mark.parametrize("rate_hz", [48_000, 96_000])
@pytest.mark.parametrize("bands", KNOWN, ids=lambda bands: f"{len(bands)}-{bands[0].shape}-{bands[0].frequency_hz}")
def test_a_target_made_of_known_bands_is_found_again(bands, rate_hz):
    target_db = response_db(bands, rate_hz)
    found = fit(target_db, rate_hz, passband_hz=FULL_RANGE_HZ, most_bands=len(bands) + 1)
    apart_db = np.abs(response_db(found.bands, rate_hz) - target_db)[inside()]
    assert apart_db.max() <= 0.1
    assert found.worst_error_db == pytest.approx(apart_db.max(), abs=1e-6)
    assert R80_HZ[inside()][apart_db.argmax()] == found.worst_at_hz


def test_a_house_curve_of_points_takes_few_bands():
    target_db = interpolated_db(HOUSE, R80_HZ)
    found = fit(target_db, 48_000, passband_hz=FULL_RANGE_HZ, most_bands=10)
    assert 2 <= len(found.bands) <= 6
    assert np.abs(response_db(found.bands, 48_000) - target_db)[inside()].max() < 0.3


@pytest.mark.parametrize("level_db", [0.0, 0.05])
def test_a_flat_target_takes_no_bands(level_db):
    found = fit(np.full(len(R80_HZ), level_db), 48_000, passband_hz=FULL_RANGE_HZ, most_bands=10)
    assert found == Fit((), pytest.approx(level_db), pytest.approx(R80_HZ[inside()][0]))


@searched
@given(target_db=targets, most=st.integers(0, 5))
def test_is_never_worse_with_more_bands_and_takes_no_more_than_allowed(target_db, most):
    fewer, more = (fit(target_db, 48_000, passband_hz=FULL_RANGE_HZ, most_bands=count) for count in (most, most + 1))
    assert more.worst_error_db <= fewer.worst_error_db
    assert len(fewer.bands) <= most


@searched
@given(
    target_db=targets,
    shapes=st.sets(st.sampled_from(["bell", "low_shelf", "high_shelf"])),
    low_hz=st.floats(20, 300),
    high_hz=st.floats(300, 20_000),
    cut_db=st.floats(-12, 0),
    boost_db=st.floats(0, 12),
    q=st.tuples(st.floats(0.3, 1), st.floats(1, 8)),
    constant_q=st.booleans(),
)
def test_respects_its_limits(target_db, shapes, low_hz, high_hz, cut_db, boost_db, q, constant_q):
    limits = Limits(tuple(sorted(shapes)), (low_hz, high_hz), (cut_db, boost_db), q, constant_q)
    found = fit(target_db, 48_000, passband_hz=FULL_RANGE_HZ, most_bands=4, limits=limits)
    for band in found.bands:
        # A constant Q is the cookbook's times 10^(|gain|/40), for bells.
        device_q = band.q * 10 ** (abs(band.gain_db) / 40) if constant_q and band.shape == "bell" else band.q
        assert band.shape in shapes
        assert low_hz - 1e-3 <= band.frequency_hz <= high_hz + 1e-3
        assert cut_db - 1e-6 <= band.gain_db <= boost_db + 1e-6
        assert q[0] - 1e-6 <= device_q <= q[1] + 1e-6


@searched
@given(target_db=targets)
def test_is_the_same_every_time(target_db):
    asked = {"passband_hz": FULL_RANGE_HZ, "most_bands": 4}
    assert fit(target_db, 96_000, **asked) == fit(target_db.copy(), 96_000, **asked)


def test_errors_outside_the_passband_do_not_count_but_nothing_rises_there():
    # A steep rise just inside the lower edge tempts the fit to boost what is below it.
    target_db = interpolated_db([(80, 6), (110, 0), (1000, 0)], R80_HZ)
    found = fit(target_db, 48_000, passband_hz=(80, 15_000), most_bands=6)
    made_db = response_db(found.bands, 48_000)
    assert np.abs(made_db - target_db)[inside((80, 15_000))].max() == pytest.approx(found.worst_error_db, abs=1e-6)
    assert made_db.max() < 6 + 1


def test_one_fixed_band_is_all_there_is():
    target_db = response_db([FittedBand("bell", 1000, 5, 2)], 48_000)
    found = fit(target_db, 48_000, passband_hz=FULL_RANGE_HZ, most_bands=1, limits=GRAPHIC)
    assert len(found.bands) == 1
    assert (found.bands[0].frequency_hz, found.bands[0].q) == pytest.approx((1000, 2))
    assert found.bands[0].gain_db == pytest.approx(5, abs=0.1)


def test_a_low_sample_rate_is_no_trouble():
    found = fit(interpolated_db(HOUSE, R80_HZ), 32_000, passband_hz=(30, 18_000), most_bands=4)
    assert found.worst_at_hz < 16_000
    assert all(band.frequency_hz <= 0.45 * 32_000 * 1.001 for band in found.bands)


def test_the_search_ends_though_a_device_has_many_bands():
    zigzag = interpolated_db([(25 * 1.3**n, 9 * (-1) ** n) for n in range(25)], R80_HZ)
    errors_db = [found.worst_error_db for found in fits(zigzag, 48_000, passband_hz=FULL_RANGE_HZ, most_bands=64)]
    assert len(errors_db) == MOST_BANDS + 1
    assert errors_db[-1] > GOOD_ENOUGH_DB


def test_a_band_that_gains_next_to_nothing_is_not_taken():
    made = [Fit((), 1.0, 100), Fit((KNOWN[0][0],), 0.5, 100), Fit((KNOWN[0][0],) * 2, 0.45, 100)]
    assert best(iter(made)) is made[1]


def test_points_are_joined_in_log_frequency_and_held_outside():
    curve_db = interpolated_db(
        [(1000, 0), (100, 3), (10_000, -5)], [20, 100, np.sqrt(100 * 1000), 1000, 10_000, 19_000]
    )
    assert curve_db == pytest.approx([3, 3, 1.5, 0, -5, -5])


@pytest.mark.parametrize(
    ("other", "complaint"),
    [
        ({"target_db": [0.0, 1.0]}, "one for each point"),
        ({"target_db": np.full(len(R80_HZ), np.nan)}, "target_db must be finite"),
        ({"passband_hz": (30_000, 40_000)}, "no point of the grid"),
        ({"sample_rate_hz": 0}, "sample_rate_hz"),
    ],
)
def test_refuses_what_cannot_be_computed(other, complaint):
    asked = {"target_db": np.zeros(len(R80_HZ)), "sample_rate_hz": 48_000, "passband_hz": FULL_RANGE_HZ, **other}
    with pytest.raises(ValueError, match=complaint):
        fit(**asked, most_bands=3)


@pytest.mark.parametrize("wrong", [{"q": (0, 1)}, {"frequency_hz": (-1, 20)}, {"gain_db": (-np.inf, 6)}])
def test_refuses_limits_that_no_filter_has(wrong):
    with pytest.raises(ValueError, match=next(iter(wrong))):
        Limits(**wrong)
