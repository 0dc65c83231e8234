"""Constant-voltage lines: taps, the load they make together, and the amplifier's share.

Voltages are of the line at full level: 100 V, 50 V, 25 V or 70.7 V. The last is the r.m.s. value of a sine with 100 V
peak, so 70.7 (and the short name 70) is read as 100 / sqrt(2); any other voltage is taken as it is. Source: Z = V² / P.
Figures are of ideal transformers; real ones lose 0.5 to 1 dB more (common practice, no published source).
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from fleet.acoustics.arguments import finite, positive
from fleet.acoustics.biquads import Floats

LINE_70_V: Final = 100 / math.sqrt(2)


def line_voltage_v(nominal_v: float) -> float:
    """The voltage that the name of a line stands for."""
    positive("line_v", nominal_v)
    return LINE_70_V if nominal_v in {70.0, 70.7} else float(nominal_v)


def tap_impedance_ohm(tap_w: ArrayLike, line_v: float) -> Floats:
    """Impedance of a tap that takes `tap_w` from the line."""
    impedance: Floats = line_voltage_v(line_v) ** 2 / positive("tap_w", tap_w)
    return impedance


def tap_power_w(impedance_ohm: ArrayLike, line_v: float) -> Floats:
    """What an impedance takes from the line."""
    power: Floats = line_voltage_v(line_v) ** 2 / positive("impedance_ohm", impedance_ohm)
    return power


def tap_change_db(from_w: ArrayLike, to_w: ArrayLike) -> Floats:
    """Change of level when a loudspeaker moves from one tap to another."""
    change: Floats = 10 * np.log10(positive("to_w", to_w) / positive("from_w", from_w))
    return change


def tap_power_on_other_line_w(tap_w: ArrayLike, rated_v: float, line_v: float) -> Floats:
    """What a tap rated for one line takes from another: a 70.7 V tap takes twice its watts from 100 V."""
    taken: Floats = positive("tap_w", tap_w) * (line_voltage_v(line_v) / line_voltage_v(rated_v)) ** 2
    return taken


def load_power_w(taps_w: ArrayLike) -> float:
    """All taps of a line together."""
    return float(np.sum(positive("taps_w", taps_w)))


def load_impedance_ohm(taps_w: ArrayLike, line_v: float) -> float:
    """Impedance of all taps of a line in parallel."""
    return line_voltage_v(line_v) ** 2 / load_power_w(taps_w)


def amplifier_share(load_w: float, amplifier_w: float, *, reserve: float) -> float:
    """Load as a share of what the amplifier may give with a reserve kept: 1.0 is full.

    `reserve` is a part of the rated power, 0 to below 1; 0.2 is common practice (no published source).
    """
    positive("load_w", load_w)
    return load_w / allowed_load_w(amplifier_w, reserve=reserve)


def allowed_load_w(amplifier_w: float, *, reserve: float) -> float:
    """What taps may add up to on an amplifier with a reserve kept."""
    positive("amplifier_w", amplifier_w)
    return amplifier_w * (1 - _checked(reserve))


def amplifier_needed_w(load_w: float, *, reserve: float) -> float:
    """Rated power of the smallest amplifier that carries a load with a reserve kept."""
    positive("load_w", load_w)
    return load_w / (1 - _checked(reserve))


def _checked(reserve: float) -> float:
    finite("reserve", reserve)
    if not 0 <= reserve < 1:
        raise ValueError(f"reserve must be at least 0 and less than 1, not {reserve:g}")
    return reserve
