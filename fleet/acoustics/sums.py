"""Levels of several sources added: by energy, in phase, two at any phase, and what a timing error costs.

Sources: L. L. Beranek, "Acoustics" (levels of uncorrelated sources add by energy, of equal signals by pressure). A
sum that cancels is not below 400 dB under its louder part.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from fleet.acoustics.arguments import finite, positive
from fleet.acoustics.biquads import Floats
from fleet.acoustics.response import db_of_power


def incoherent_sum_db(levels_db: ArrayLike) -> Floats:
    """Unrelated signals: 10 log10 of the sum of energies over the last axis."""
    return _sum_db(levels_db, 10)


def coherent_sum_db(levels_db: ArrayLike) -> Floats:
    """The same signal, all in phase: 20 log10 of the sum of pressures over the last axis."""
    return _sum_db(levels_db, 20)


def incoherent_gain_db(count: int) -> float:
    """What `count` equal sources with unrelated signals add to one: 10 log10(count)."""
    return 10 * float(np.log10(positive("count", count)))


def coherent_gain_db(count: int) -> float:
    """What `count` equal sources add to one, all in phase: 20 log10(count)."""
    return 20 * float(np.log10(positive("count", count)))


def sum_of_two_db(one_db: ArrayLike, other_db: ArrayLike, phase_deg: ArrayLike) -> Floats:
    """Two tones of one frequency with a phase between them in degrees."""
    one, other = finite("one_db", one_db), finite("other_db", other_db)
    phase = np.radians(finite("phase_deg", phase_deg))
    ratio = 10 ** (-np.abs(one - other) / 20)
    # 1 + g² + 2 g cos(phase), in a form that keeps its digits where the two cancel.
    relative = db_of_power((1 - ratio) ** 2 + 4 * ratio * np.cos(phase / 2) ** 2)
    total: Floats = np.maximum(one, other) + relative
    return total


def phase_of_time_deg(frequency_hz: ArrayLike, time_ms: ArrayLike) -> Floats:
    """Phase in degrees, not wrapped, that a time makes at a frequency."""
    phase: Floats = 0.36 * positive("frequency_hz", frequency_hz) * finite("time_ms", time_ms)
    return phase


def timing_loss_db(frequency_hz: ArrayLike, error_ms: ArrayLike) -> Floats:
    """What two equal sources lose against being in phase, in dB (0 or more): -20 log10 |cos(phase / 2)|."""
    half = np.radians(phase_of_time_deg(frequency_hz, error_ms)) / 2
    return np.abs(db_of_power(np.cos(half) ** 2))


def timing_for_loss_ms(frequency_hz: ArrayLike, loss_db: ArrayLike) -> Floats:
    """The smallest error in ms that costs two equal sources `loss_db` (more than 0)."""
    half = np.arccos(10 ** (-positive("loss_db", loss_db) / 20))
    error: Floats = 1000 * half / (np.pi * positive("frequency_hz", frequency_hz))
    return error


def _sum_db(levels_db: ArrayLike, factor: int) -> Floats:
    levels = np.atleast_1d(finite("levels_db", levels_db))
    loudest = np.max(levels, axis=-1, keepdims=True)
    total: Floats = loudest[..., 0] + factor * np.log10(np.sum(10 ** ((levels - loudest) / factor), axis=-1))
    return total
