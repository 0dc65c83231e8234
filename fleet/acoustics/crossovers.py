"""High- and low-pass filters of loudspeaker crossovers as cascades of first- and second-order sections.

An analogue prototype with its corner at 1 is a list of poles; the bilinear transform keeps the corner frequency.

- Butterworth order n: pole angles of S. Butterworth, "On the theory of filter amplifiers" (1930); -3.01 dB at the
  corner.
- Linkwitz-Riley order 2m: Butterworth order m twice (S. Linkwitz, "Active crossover networks for noncoincident
  drivers", JAES 24(1), 1976); -6.02 dB at the corner.
- Bessel: roots of the reverse Bessel polynomials (W. E. Thomson, "Delay networks having maximally flat frequency
  characteristics", 1949), scaled to -3.01 dB at the corner; a high-pass has the mirrored magnitude.

The level at the corner holds up to half the sample rate; above some sixth of it the slopes of low-passes steepen, and
the even delay of a Bessel low-pass is lost, as with every filter made by the bilinear transform.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from fleet.acoustics import biquads
from fleet.acoustics.biquads import Floats

Kind = Literal["high_pass", "low_pass"]


class Pole(NamedTuple):
    """A conjugate pair of poles with its quality, or a real pole (`q` is `None`); `scale` is relative to the corner."""

    q: float | None
    scale: float = 1.0


def _butterworth(order: int) -> tuple[Pole, ...]:
    pairs = tuple(Pole(0.5 / math.sin((2 * k + 1) * math.pi / (2 * order))) for k in range(order // 2))
    return (Pole(None), *pairs) if order % 2 else pairs


def _linkwitz_riley(order: int) -> tuple[Pole, ...]:
    half = _butterworth(order // 2)
    return (Pole(0.5),) if order == 2 else half + half


_BESSEL: Final[Mapping[int, tuple[Pole, ...]]] = {
    2: (Pole(0.5773502692, 1.2720196495),),
    3: (Pole(None, 1.3226757999), Pole(0.6910466258, 1.4476171331)),
    4: (Pole(0.5219345817, 1.4301715600), Pole(0.8055382818, 1.6033575162)),
    6: (Pole(0.5103178247, 1.6039191288), Pole(0.6111945469, 1.6891682676), Pole(1.0233139538, 1.9047076123)),
    8: (
        Pole(0.5059910694, 1.7784659118),
        Pole(0.5596091648, 1.8320926012),
        Pole(0.7108520744, 1.9531957591),
        Pole(1.2256694254, 2.1887262305),
    ),
}

_PROTOTYPES: Final[Mapping[tuple[str, int], tuple[Pole, ...]]] = {
    **{("butterworth", 6 * n): _butterworth(n) for n in (1, 2, 3, 4, 6, 8)},
    **{("linkwitz_riley", 6 * n): _linkwitz_riley(n) for n in (2, 4, 6, 8)},
    **{("bessel", 6 * n): poles for n, poles in _BESSEL.items()},
}


def exists(family: str, slope_db_per_octave: int) -> bool:
    """Whether there is such a filter: Linkwitz-Riley, say, has even orders only."""
    return (family, slope_db_per_octave) in _PROTOTYPES


def crossover(
    kind: Kind, family: str, slope_db_per_octave: int, frequency_hz: ArrayLike, sample_rate_hz: float
) -> Floats:
    """Sections of a filter, shape (..., sections, 6), for corner frequencies in Hz of shape (...).

    Raises `ValueError` where there is no such family and slope, or a frequency is not below half the sample rate.
    """
    poles = _PROTOTYPES.get((family, slope_db_per_octave))
    if poles is None:
        raise ValueError(f"there is no {family} filter of {slope_db_per_octave} dB per octave")
    # Refused before the tangent folds frequencies from above half the sample rate back below it.
    biquads.check_frequency(frequency_hz, sample_rate_hz)
    return np.stack([_section(kind, pole, np.asarray(frequency_hz), sample_rate_hz) for pole in poles], axis=-2)


def _section(kind: Kind, pole: Pole, corner_hz: Floats, sample_rate_hz: float) -> Floats:
    # One transform for the whole filter: each pole keeps its analogue place relative to the warped corner.
    scale = pole.scale if kind == "low_pass" else 1 / pole.scale
    warped = scale * np.tan(np.pi * corner_hz / sample_rate_hz)
    frequency_hz = sample_rate_hz / np.pi * np.arctan(warped)
    if pole.q is None:
        first_order = biquads.first_order_low_pass if kind == "low_pass" else biquads.first_order_high_pass
        return first_order(frequency_hz, sample_rate_hz)
    second_order = biquads.low_pass if kind == "low_pass" else biquads.high_pass
    return second_order(frequency_hz, pole.q, sample_rate_hz)
