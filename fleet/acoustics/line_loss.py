"""What the cable of a loudspeaker line takes: one load at its end, or loads along it, node by node.

Source: the voltage divider of a load and its cable (Ohm and Kirchhoff), resistances only. Losses are in dB and not
negative. `ohm_per_m` is that of one conductor (`fleet.acoustics.cables`), lengths are one way. Common practice, no
published source: up to 0.5 dB is good, 1 dB the limit.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from fleet.acoustics.arguments import not_negative, positive
from fleet.acoustics.biquads import Floats
from fleet.acoustics.lines import line_voltage_v, tap_impedance_ohm


class Nodes(NamedTuple):
    """Loads along a line in order from the amplifier: voltage, loss and power that each receives."""

    voltages_v: Floats
    losses_db: Floats
    powers_w: Floats


def lumped_loss_db(load_ohm: ArrayLike, loop_ohm: ArrayLike) -> Floats:
    """Loss with the whole load at the end of the cable: 20 log10((Z + R) / Z)."""
    loss: Floats = 20 * np.log10(1 + not_negative("loop_ohm", loop_ohm) / positive("load_ohm", load_ohm))
    return loss


def power_after_loss_w(power_w: ArrayLike, loss_db: ArrayLike) -> Floats:
    """What is left of the power that a load takes without a cable."""
    left: Floats = not_negative("power_w", power_w) * 10 ** (-not_negative("loss_db", loss_db) / 10)
    return left


def longest_run_m(load_ohm: ArrayLike, ohm_per_m: ArrayLike, loss_db: ArrayLike) -> Floats:
    """One-way length at which a load at the end loses `loss_db`: Z (10^(dB/20) - 1) / (2 r)."""
    rise: Floats = 10 ** (not_negative("loss_db", loss_db) / 20) - 1
    length: Floats = positive("load_ohm", load_ohm) * rise / (2 * positive("ohm_per_m", ohm_per_m))
    return length


def equally_spaced_m(count: int, spacing_m: float) -> Floats:
    """Distances from the amplifier of loads one every `spacing_m`, the first of them one spacing away."""
    positive("count", count)
    positive("spacing_m", spacing_m)
    return spacing_m * np.arange(1, count + 1, dtype=np.float64)


def distributed(taps_w: ArrayLike, distances_m: ArrayLike, line_v: float, ohm_per_m: float) -> Nodes:
    """What each tap receives along one cable: exact for taps as resistors of V² / P.

    `distances_m` from the amplifier must ascend (equal ones share a node); one tap's power may stand for all.
    """
    distances = np.atleast_1d(not_negative("distances_m", distances_m))
    steps_m = np.diff(distances, prepend=0.0)
    if np.any(steps_m < 0):
        raise ValueError("distances_m must ascend from the amplifier to the end of the cable")
    impedances = np.atleast_1d(tap_impedance_ohm(taps_w, line_v))
    if len(impedances) not in {1, len(distances)}:
        raise ValueError(f"taps_w holds {len(impedances)} taps, distances_m {len(distances)} distances")
    impedances = np.broadcast_to(impedances, distances.shape)
    steps_ohm = 2 * float(positive("ohm_per_m", ohm_per_m)) * steps_m
    full_v = line_voltage_v(line_v)
    voltages: Floats = full_v * np.cumprod(_dividers(steps_ohm, impedances), dtype=np.float64)
    losses: Floats = -20 * np.log10(voltages / full_v)
    return Nodes(voltages, losses, voltages**2 / impedances)


def _dividers(steps_ohm: Floats, impedances_ohm: Floats) -> Floats:
    """Voltage of each node over that of the node before, worked out from the far end, where nothing follows."""
    dividers = np.empty_like(steps_ohm)
    seen_s = 0.0
    for index in reversed(range(len(steps_ohm))):
        seen_s += 1 / impedances_ohm[index]
        dividers[index] = 1 / (1 + steps_ohm[index] * seen_s)
        seen_s *= dividers[index]
    return dividers
