"""Sound pressure levels: by distance and power, from data-sheet figures, and up to a limit.

Free field, on axis, point source: calculated, not measured. Levels in dB re 20 µPa (ISO 1683), sensitivities in dB at
1 m. Numbers or arrays, broadcast together. Sums of several sources are in `fleet.acoustics.sums`.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from fleet.acoustics.arguments import finite, not_negative, positive
from fleet.acoustics.biquads import Floats

DATA_SHEET_V: Final = 2.83
"""The voltage that data sheets state sensitivity for: 1 W into 8 ohm."""


def distance_gain_db(distance_m: ArrayLike, reference_m: ArrayLike = 1.0) -> Floats:
    """Level at a distance relative to the level at a reference distance: -20 log10(r / r0), -6.02 dB per doubling."""
    gain: Floats = -20 * np.log10(positive("distance_m", distance_m) / positive("reference_m", reference_m))
    return gain


def power_gain_db(power_w: ArrayLike, reference_w: ArrayLike = 1.0) -> Floats:
    """10 log10(P / P0), 3.01 dB per doubling."""
    gain: Floats = 10 * np.log10(positive("power_w", power_w) / positive("reference_w", reference_w))
    return gain


def level_db(sensitivity_db: ArrayLike, power_w: ArrayLike, distance_m: ArrayLike) -> Floats:
    """Continuous level of a loudspeaker with a sensitivity at 1 W and 1 m."""
    return finite("sensitivity_db", sensitivity_db) + power_gain_db(power_w) + distance_gain_db(distance_m)


def power_w(voltage_v: ArrayLike, impedance_ohm: ArrayLike) -> Floats:
    """V² / Z."""
    power: Floats = not_negative("voltage_v", voltage_v) ** 2 / positive("impedance_ohm", impedance_ohm)
    return power


def sensitivity_at_1_w_db(sensitivity_at_2_83_v_db: ArrayLike, impedance_ohm: ArrayLike) -> Floats:
    """Sensitivity re 1 W from one stated for 2.83 V, which is 2 W into 4 ohm and so flatters by 3 dB there."""
    return finite("sensitivity_at_2_83_v_db", sensitivity_at_2_83_v_db) - _data_sheet_gain_db(impedance_ohm)


def sensitivity_at_2_83_v_db(sensitivity_at_1_w_db: ArrayLike, impedance_ohm: ArrayLike) -> Floats:
    """Sensitivity for 2.83 V from one stated re 1 W."""
    return finite("sensitivity_at_1_w_db", sensitivity_at_1_w_db) + _data_sheet_gain_db(impedance_ohm)


def crest_factor_db(peak_to_rms: ArrayLike) -> Floats:
    """20 log10 of peak over root mean square, which is never less than 1."""
    ratio = finite("peak_to_rms", peak_to_rms)
    if not np.all(ratio >= 1):
        raise ValueError("peak_to_rms must not be less than 1")
    crest: Floats = 20 * np.log10(ratio)
    return crest


def peak_db(continuous_db: ArrayLike, crest_factor_db: ArrayLike) -> Floats:
    """Peak level from continuous level and the crest factor of the signal, which has to be stated.

    The noise of IEC 60268-5 has about 6 dB, unclipped programme 12 dB and more: two peaks compare only when their
    crest factors do, and a peak never compares with an LAeq.
    """
    return finite("continuous_db", continuous_db) + not_negative("crest_factor_db", crest_factor_db)


def headroom_db(level_db: ArrayLike, limit_db: ArrayLike) -> Floats:
    """How far below a limit a level stays; negative above it. Both of the same kind: continuous, or peak."""
    return finite("limit_db", limit_db) - finite("level_db", level_db)


def critical_distance_m(directivity: ArrayLike, volume_m3: ArrayLike, reverberation_s: ArrayLike) -> Floats:
    """Distance in m at which direct and reverberant sound are equally loud: 0.057 sqrt(Q V / T60).

    From the reverberation formula of W. C. Sabine with a diffuse field; handbooks print 0.056 or 0.057. `directivity`
    is the ratio Q, 1 for a source that radiates evenly. Beyond this distance the inverse distance law fails.
    """
    room = positive("volume_m3", volume_m3) / positive("reverberation_s", reverberation_s)
    distance: Floats = 0.057 * np.sqrt(positive("directivity", directivity) * room)
    return distance


def _data_sheet_gain_db(impedance_ohm: ArrayLike) -> Floats:
    return power_gain_db(power_w(DATA_SHEET_V, impedance_ohm))
