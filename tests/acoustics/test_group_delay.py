"""Group delay of chains against scipy.signal.group_delay, the phase's own slope, and published crossovers."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from fleet.acoustics import biquads
from fleet.acoustics.crossovers import crossover
from fleet.acoustics.grid import R80_HZ
from fleet.acoustics.group_delay import group_delay_ms
from fleet.acoustics.response import complex_response

RATE_HZ = 48_000

rows = st.builds(
    lambda make, f, g, q: getattr(biquads, make)(f, g, q, RATE_HZ),
    st.sampled_from(["bell", "low_shelf", "high_shelf"]),
    st.floats(20, 20_000),
    st.floats(-15, 15),
    st.floats(0.3, 20),
)
chains = st.lists(rows, min_size=1, max_size=6).map(np.stack)


@given(
    shape=st.sampled_from(["bell", "low_shelf", "high_shelf"]),
    frequency_hz=st.floats(300, 20_000),
    gain_db=st.floats(-15, 15),
    q=st.floats(0.3, 8),
)
def test_one_section_is_scipys(shape, frequency_hz, gain_db, q):
    # scipy multiplies numerator and denominator, which costs it its digits at the lowest frequencies.
    at_hz = R80_HZ[R80_HZ > 200]
    row = getattr(biquads, shape)(frequency_hz, gain_db, q, RATE_HZ)
    _, expected = signal.group_delay((row[:3], row[3:]), w=at_hz, fs=RATE_HZ)
    assert group_delay_ms(row[None], at_hz, RATE_HZ) == pytest.approx(1000 / RATE_HZ * expected, abs=1e-5)


@given(chain=chains)
def test_a_chain_is_the_sum_of_its_sections(chain):
    parts = sum(group_delay_ms(row[None], R80_HZ, RATE_HZ) for row in chain)
    assert group_delay_ms(chain, R80_HZ, RATE_HZ) == pytest.approx(parts, abs=1e-6)


@given(frequency_hz=st.floats(20, 20_000), gain_db=st.floats(-15, 15), q=st.floats(0.3, 20))
def test_inverse_filters_cancel(frequency_hz, gain_db, q):
    both = np.stack([biquads.bell(frequency_hz, gain, q, RATE_HZ) for gain in (gain_db, -gain_db)])
    assert np.max(np.abs(group_delay_ms(both, R80_HZ, RATE_HZ))) < 1e-6


@pytest.mark.parametrize("kind", ["low_pass", "high_pass"])
@pytest.mark.parametrize(("family", "slope"), [("linkwitz_riley", 24), ("butterworth", 18), ("bessel", 24)])
def test_it_is_the_slope_of_the_phase(kind, family, slope):
    sections = crossover(kind, family, slope, 300, RATE_HZ)
    step_hz = 0.01
    later, earlier = (complex_response(sections, R80_HZ + offset, RATE_HZ) for offset in (step_hz, -step_hz))
    slope_s = -np.angle(later / earlier) / (2 * np.pi * 2 * step_hz)
    assert group_delay_ms(sections, R80_HZ, RATE_HZ) == pytest.approx(1000 * slope_s, abs=1e-4)


@pytest.mark.parametrize(
    ("family", "delays_ms"), [("butterworth", (5.199, 4.159, 3.466)), ("linkwitz_riley", (5.627, 4.502, 3.751))]
)
def test_low_passes_of_24_db_per_octave_hold_up_the_lowest_frequencies(family, delays_ms):
    # Sum of 1 / (q w0) over the sections (S. Linkwitz, JAES 24(1), 1976; S. Butterworth, 1930) at 80, 100, 120 Hz.
    found = group_delay_ms(
        crossover("low_pass", family, 24, np.array([80.0, 100.0, 120.0]), RATE_HZ), np.array([0.0]), RATE_HZ
    )
    assert found[:, 0] == pytest.approx(delays_ms, abs=0.001)


@pytest.mark.parametrize(("slope", "bessel_flatter"), [(12, 0.85), (24, 0.99)])
def test_a_bessel_low_pass_holds_up_all_of_its_lower_passband_alike(slope, bessel_flatter):
    # W. E. Thomson (1949): maximally flat delay; half an octave below the corner it is still that of 0 Hz.
    at_hz = np.array([0.0, 100 / 2**0.5])
    start, middle = group_delay_ms(crossover("low_pass", "bessel", slope, 100, RATE_HZ), at_hz, RATE_HZ)
    assert bessel_flatter < middle / start <= 1
    start, middle = group_delay_ms(crossover("low_pass", "butterworth", slope, 100, RATE_HZ), at_hz, RATE_HZ)
    assert middle / start > 1.1


@pytest.mark.parametrize("slope", [12, 24])
def test_a_bessel_low_pass_is_scipys_in_delay_too(slope):
    b, a = signal.bessel(slope // 6, 2000, "low", fs=RATE_HZ, norm="mag")
    at_hz = R80_HZ[R80_HZ < 10_000]
    _, expected = signal.group_delay((b, a), w=at_hz, fs=RATE_HZ)
    found = group_delay_ms(crossover("low_pass", "bessel", slope, 2000, RATE_HZ), at_hz, RATE_HZ)
    assert found == pytest.approx(1000 / RATE_HZ * expected, abs=1e-4)


def test_an_all_pass_holds_up_without_changing_level():
    # At its centre a second-order all-pass delays by 4 q / w0 (analogue), exact to the warping at 100 Hz.
    found = group_delay_ms(biquads.all_pass(100, 2, RATE_HZ)[None], np.array([100.0]), RATE_HZ)
    assert found == pytest.approx([1000 * 4 * 2 / (2 * np.pi * 100)], rel=1e-3)


def test_where_nothing_passes_there_is_no_delay_to_tell():
    high_pass = biquads.high_pass(80, 0.7, RATE_HZ)[None]
    found = group_delay_ms(high_pass, np.array([0.0, 80.0]), RATE_HZ)
    assert np.isnan(found[0])
    assert found[1] > 0


def test_many_chains_and_an_empty_one():
    many = biquads.bell(np.array([[100.0], [200.0]]), 6, 1, RATE_HZ)
    assert group_delay_ms(many, R80_HZ, RATE_HZ).shape == (2, len(R80_HZ))
    own = group_delay_ms(many, np.tile(R80_HZ, (2, 1)), RATE_HZ)
    assert own == pytest.approx(group_delay_ms(many, R80_HZ, RATE_HZ))
    assert np.all(group_delay_ms(np.empty((0, 6)), R80_HZ, RATE_HZ) == 0)


@pytest.mark.parametrize("frequency_hz", [24_000, -1, float("nan"), []])
def test_frequencies_that_cannot_be_are_refused(frequency_hz):
    with pytest.raises(ValueError, match="frequencies_hz"):
        group_delay_ms(np.empty((0, 6)), frequency_hz, RATE_HZ)
