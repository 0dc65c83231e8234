"""How long a level may last: noise exposure by published criteria. A calculation, not a measurement, not legal advice.

Levels are A-weighted. The criteria differ: never show a time or a dose without its name. Sources: NIOSH publication
98-126 (1998), chapter 1; 29 CFR 1910.95, Appendix A and table G-16a; Directive 2003/10/EC, articles 2 and 3; WHO,
"Global standard for safe listening venues and events" (2022), feature 1.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from fleet.acoustics.arguments import finite, not_negative, positive
from fleet.acoustics.biquads import Floats


@dataclass(frozen=True, slots=True)
class Criterion:
    """A level allowed for 8 hours, and by how many dB the level may rise for half the time."""

    name: str
    level_dba: float
    exchange_db: float
    twa_factor: float
    """What the source multiplies log10(dose / 100) by; exchange / log10(2), rounded as printed."""


NIOSH: Final = Criterion("NIOSH 98-126", 85.0, 3.0, 10.0)
OSHA: Final = Criterion("29 CFR 1910.95", 90.0, 5.0, 16.61)

EU_LOWER_ACTION_DBA: Final = 80.0
EU_UPPER_ACTION_DBA: Final = 85.0
"""Directive 2003/10/EC, article 3, as LEX,8h; what protectors take away does not count."""

WHO_LIMIT_DBA: Final = 100.0
WHO_WINDOW_MIN: Final = 15.0


def allowed_hours(level_dba: ArrayLike, criterion: Criterion) -> Floats:
    """8 / 2^((L - criterion level) / exchange rate)."""
    excess = finite("level_dba", level_dba) - criterion.level_dba
    hours: Floats = 8 / 2 ** (excess / criterion.exchange_db)
    return hours


def dose_percent(
    levels_dba: ArrayLike, hours: ArrayLike, criterion: Criterion, threshold_dba: float | None = None
) -> float:
    """Sum of each time over its allowed time: 100 % is the whole of a day. Levels under a threshold are left out."""
    levels, times = np.broadcast_arrays(finite("levels_dba", levels_dba), not_negative("hours", hours))
    parts = times / allowed_hours(levels, criterion)
    if threshold_dba is not None:
        parts = np.where(levels >= finite("threshold_dba", threshold_dba), parts, 0.0)
    return 100 * float(np.sum(parts))


def time_weighted_average_dba(dose_percent: ArrayLike, criterion: Criterion) -> Floats:
    """The steady level of 8 hours with the same dose; the dose must be more than 0."""
    average: Floats = criterion.twa_factor * np.log10(positive("dose_percent", dose_percent) / 100)
    return average + criterion.level_dba


def leq_dba(levels_dba: ArrayLike, durations: ArrayLike) -> float:
    """The steady level with the same energy as levels of given durations (in any one unit)."""
    levels, times = np.broadcast_arrays(finite("levels_dba", levels_dba), not_negative("durations", durations))
    total = positive("the sum of durations", float(np.sum(times)))
    loudest = np.max(levels)
    return float(loudest + 10 * np.log10(np.sum(times * 10 ** ((levels - loudest) / 10)) / total))


def lex_8h_dba(laeq_dba: ArrayLike, hours: ArrayLike) -> Floats:
    """Daily exposure level of Directive 2003/10/EC: LAeq,T + 10 log10(T / 8 h)."""
    daily: Floats = finite("laeq_dba", laeq_dba) + 10 * np.log10(positive("hours", hours) / 8)
    return daily


def allowed_hours_for_lex_8h(level_dba: ArrayLike, lex_8h_dba: float = EU_UPPER_ACTION_DBA) -> Floats:
    """Hours at a level that reach a daily exposure level by equal energy: 8 * 10^((LEX - L) / 10)."""
    hours: Floats = 8 * 10 ** ((finite("lex_8h_dba", lex_8h_dba) - finite("level_dba", level_dba)) / 10)
    return hours


def who_minutes(level_dba: ArrayLike) -> Floats:
    """Minutes of any 15 that a level may last, the rest silent, under 100 dB LAeq,15 min; 15 is no limit."""
    energy = 10 ** ((WHO_LIMIT_DBA - finite("level_dba", level_dba)) / 10)
    minutes: Floats = WHO_WINDOW_MIN * np.minimum(1.0, energy)
    return minutes


def moving_leq_dba(levels_dba: ArrayLike, interval_s: float, window_s: float = 60 * WHO_WINDOW_MIN) -> Floats:
    """Leq of every whole window in a row of short-term levels, one each `interval_s`; LAeq,15 min by default.

    `window_s` must be a whole number of intervals; a record shorter than that is refused, for its Leq is another one.
    """
    levels = np.atleast_1d(finite("levels_dba", levels_dba))
    positive("window_s", window_s)
    count = window_s / float(positive("interval_s", interval_s))
    if count < 1 or abs(count - round(count)) > 1e-9 * count:
        raise ValueError(f"window_s must be a whole number of intervals, but {window_s:g} s is {count:g} of them")
    if len(levels) < round(count):
        raise ValueError(f"levels_dba must hold at least {round(count)} levels to fill a window, not {len(levels)}")
    loudest = np.max(levels)
    windows = np.lib.stride_tricks.sliding_window_view(10 ** ((levels - loudest) / 10), round(count))
    averages: Floats = loudest + 10 * np.log10(np.mean(windows, axis=-1))
    return averages
