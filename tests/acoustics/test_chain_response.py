"""Response of whole chains: against scipy, against filtering an impulse, and as a sum of parts."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from fleet.acoustics import biquads
from fleet.acoustics.crossovers import crossover
from fleet.acoustics.grid import R80_HZ
from fleet.acoustics.response import CHUNK, complex_response, magnitude_db, phase_deg, power

RATE_HZ = 48_000

chains = st.lists(
    st.builds(
        lambda f, g, q: biquads.bell(f, g, q, RATE_HZ), st.floats(20, 20_000), st.floats(-15, 15), st.floats(0.3, 20)
    ),
    min_size=1,
    max_size=12,
).map(np.stack)

WORKED = np.vstack(
    [
        crossover("high_pass", "linkwitz_riley", 24, 100, RATE_HZ),
        biquads.bell(250, -3, 2, RATE_HZ)[None],
        biquads.high_shelf(8000, 2, 0.5**0.5, RATE_HZ)[None],
        biquads.bell(2500, 1.5, 1.4, RATE_HZ)[None],
    ]
)


def test_a_worked_chain():
    # Computed apart from this code from the cookbook's and Linkwitz's formulas.
    at_hz = np.array([50.0, 100, 200, 250, 1000, 2500, 8000, 16000])
    assert magnitude_db(WORKED, at_hz, RATE_HZ) == pytest.approx(
        [-24.6418, -6.1830, -2.1773, -3.2118, 0.0994, 1.5057, 1.0704, 1.9824], abs=0.001
    )
    assert phase_deg(WORKED, at_hz, RATE_HZ) == pytest.approx(
        [-88.48, 175.92, 77.61, 68.88, 22.90, 10.29, 9.33, 3.45], abs=0.02
    )


def test_the_worked_chain_filters_an_impulse_as_computed():
    length = 2**16
    impulse = np.zeros(length)
    impulse[0] = 1
    spectrum = np.fft.rfft(signal.sosfilt(WORKED, impulse))
    at_hz = np.fft.rfftfreq(length, 1 / RATE_HZ)
    heard = (at_hz > 20) & (at_hz < 20_000)
    expected_db = 20 * np.log10(np.abs(spectrum[heard]))
    assert magnitude_db(WORKED, at_hz[heard], RATE_HZ) == pytest.approx(expected_db, abs=1e-4)


@given(chain=chains)
def test_magnitude_and_phase_are_those_of_scipy_sosfreqz(chain):
    _, expected = signal.sosfreqz(chain, worN=R80_HZ, fs=RATE_HZ)
    assert magnitude_db(chain, R80_HZ, RATE_HZ) == pytest.approx(20 * np.log10(np.abs(expected)), abs=1e-5)
    assert np.max(np.abs(complex_response(chain, R80_HZ, RATE_HZ) / expected - 1)) < 1e-7


@given(chain=chains)
def test_a_chain_is_the_sum_of_its_parts_in_db(chain):
    parts = sum(magnitude_db(row[None], R80_HZ, RATE_HZ) for row in chain)
    assert magnitude_db(chain, R80_HZ, RATE_HZ) == pytest.approx(parts, abs=1e-6)


def test_identity_rows_and_empty_chains_change_nothing():
    identity = np.tile(biquads.IDENTITY, (3, 1))
    assert np.all(magnitude_db(identity, R80_HZ, RATE_HZ) == 0)
    assert np.all(magnitude_db(np.empty((0, 6)), R80_HZ, RATE_HZ) == 0)


def test_batches_longer_than_a_chunk_equal_single_chains():
    gains_db = np.linspace(-12, 12, CHUNK // (2 * len(R80_HZ)) + 7)
    batch = biquads.bell(np.array([[300.0, 4000.0]]), gains_db[:, None], 2.0, RATE_HZ)
    shared = power(batch, R80_HZ, RATE_HZ)
    own = power(batch, np.tile(R80_HZ, (len(batch), 1)), RATE_HZ)
    assert shared == pytest.approx(own, rel=1e-12)
    assert shared[-1] == pytest.approx(power(batch[-1], R80_HZ, RATE_HZ), rel=1e-12)
