"""How far apart two filter chains are, written once more from the published sources and one frequency at a time.

Bells and shelves by R. Bristow-Johnson, "Audio EQ Cookbook", W3C Working Group Note, 8 June 2021. Crossover filters by
`scipy.signal.butter`; Linkwitz-Riley is a Butterworth of half the order twice (S. Linkwitz, JAES 24(1), 1976).
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Iterable, Sequence
from typing import Any

from scipy import signal  # type: ignore[import-untyped]  # scipy ships no types

Json = dict[str, Any]
Section = tuple[float, float, float, float, float, float]

R80_HZ = [1000 * 10 ** (step / 80) for step in range(-136, 105)]
"""80 points a decade with 1 kHz on it: preferred numbers of ISO 3 by their formula."""
FLOOR_DB = -40.0
PHASE_FLOOR_DB = -20.0


def apart(
    wanted: Sequence[Section],
    found: Sequence[Section],
    centres_hz: Iterable[float],
    passband_hz: tuple[float, float],
    rate_hz: float,
) -> tuple[float, float]:
    """The largest distance of two chains in dB, each floored at -40 dB, and in degrees, where both are above -20 dB.

    Looked at are the R80 grid and the centres, as far as the passband goes.
    """
    low_hz, high_hz = passband_hz
    most_db = most_deg = 0.0
    for hz in (*R80_HZ, *centres_hz):
        if low_hz <= hz <= high_hz:
            one, other = response(wanted, hz, rate_hz), response(found, hz, rate_hz)
            most_db = max(most_db, abs(max(db(other), FLOOR_DB) - max(db(one), FLOOR_DB)))
            if min(db(one), db(other)) >= PHASE_FLOOR_DB:
                most_deg = max(most_deg, abs(math.degrees(cmath.phase(other / one))))
    return most_db, most_deg


def eq_sections(bands: Sequence[Json], rate_hz: float, q_convention: str) -> list[Section]:
    """An equaliser as a device tells it, in the device's own convention of Q."""
    return [_cookbook(band, rate_hz, q_convention) for band in bands]


def crossover_sections(kind: str, filter_: Json, rate_hz: float) -> list[Section]:
    """A high-pass or low-pass."""
    order = int(filter_["slope_db_per_octave"]) // 6
    twice = filter_["family"] == "linkwitz_riley"
    assert twice or filter_["family"] == "butterworth", filter_["family"]
    pass_ = {"high_pass": "highpass", "low_pass": "lowpass"}[kind]
    sections = signal.butter(
        order // 2 if twice else order, filter_["frequency_hz"], pass_, fs=rate_hz, output="sos"
    ).tolist()
    return [tuple(section) for section in (sections + sections if twice else sections)]


def response(sections: Sequence[Section], hz: float, rate_hz: float) -> complex:
    """The complex response of a chain at one frequency."""
    z1 = cmath.exp(-2j * math.pi * hz / rate_hz)
    result = complex(1)
    for b0, b1, b2, a0, a1, a2 in sections:
        result *= (b0 + b1 * z1 + b2 * z1 * z1) / (a0 + a1 * z1 + a2 * z1 * z1)
    return result


def db(value: complex) -> float:
    """A response in dB."""
    return 20 * math.log10(max(abs(value), 1e-12))


def device_q(q: float, gain_db: float, shape: str, q_convention: str) -> float:
    """A cookbook Q as a device counts it. The two conventions differ for bells (wire contract, `q_convention`)."""
    return q * 10 ** (abs(gain_db) / 40) if shape == "bell" and q_convention == "constant_q" else q


def _cookbook(band: Json, rate_hz: float, q_convention: str) -> Section:
    shape, gain_db = band["shape"], band["gain_db"]
    # Constant Q is the cookbook's times A, so the way back divides by the same factor.
    q = band["q"] / device_q(1.0, gain_db, shape, q_convention)
    a = 10 ** (gain_db / 40)
    w0 = 2 * math.pi * band["frequency_hz"] / rate_hz
    cos, alpha = math.cos(w0), math.sin(w0) / (2 * q)
    if shape == "bell":
        return (1 + alpha * a, -2 * cos, 1 - alpha * a, 1 + alpha / a, -2 * cos, 1 - alpha / a)
    root = 2 * math.sqrt(a) * alpha
    if shape == "low_shelf":
        return (
            a * ((a + 1) - (a - 1) * cos + root),
            2 * a * ((a - 1) - (a + 1) * cos),
            a * ((a + 1) - (a - 1) * cos - root),
            (a + 1) + (a - 1) * cos + root,
            -2 * ((a - 1) + (a + 1) * cos),
            (a + 1) + (a - 1) * cos - root,
        )
    assert shape == "high_shelf", shape
    return (
        a * ((a + 1) + (a - 1) * cos + root),
        -2 * a * ((a - 1) + (a + 1) * cos),
        a * ((a + 1) + (a - 1) * cos - root),
        (a + 1) - (a - 1) * cos + root,
        2 * ((a - 1) - (a + 1) * cos),
        (a + 1) - (a - 1) * cos - root,
    )
