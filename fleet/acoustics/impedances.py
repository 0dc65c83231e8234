"""Loudspeakers at low impedance: in parallel, in series, and against what an amplifier may drive.

IEC 60268-5 lets the modulus of a loudspeaker's impedance dip to 80 % of its rated value, not below.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from fleet.acoustics.arguments import positive

LOWEST_SHARE: Final = 0.8
"""Lowest modulus of the impedance as a share of the rated impedance, IEC 60268-5."""


def parallel_ohm(impedances_ohm: ArrayLike) -> float:
    """1 / Z is the sum of all 1 / Zi."""
    return 1 / float(np.sum(1 / positive("impedances_ohm", impedances_ohm)))


def series_ohm(impedances_ohm: ArrayLike) -> float:
    """Z is the sum of all Zi."""
    return float(np.sum(positive("impedances_ohm", impedances_ohm)))


def lowest_ohm(rated_ohm: float) -> float:
    """What a rated impedance may dip to."""
    positive("rated_ohm", rated_ohm)
    return LOWEST_SHARE * rated_ohm


def can_drive(rated_ohm: float, minimum_ohm: float, *, dips_count: bool = False) -> bool:
    """Whether an amplifier with a stated minimum may drive a load of this rated impedance.

    Amplifiers usually state their minimum as a rated impedance, whose dips they allow for; where it is the lowest
    modulus that may occur, set `dips_count`. The last thousandth is left to rounding.
    """
    positive("minimum_ohm", minimum_ohm)
    positive("rated_ohm", rated_ohm)
    return (lowest_ohm(rated_ohm) if dips_count else rated_ohm) >= minimum_ohm * 0.999
