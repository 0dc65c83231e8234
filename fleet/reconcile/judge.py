"""How much one difference matters, and how an engineer says it.

A difference below its tolerance is slight, from it on audible. Serious are polarity, mute, slot, input, a crossover's
family or slope, more than 6 dB, and a fill that would arrive before what it is aligned to.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from fleet.model.difference import Grade
from fleet.model.listing import listed
from fleet.model.settings import Crossover, NoFilter
from fleet.model.venue import Between, Position
from fleet.reconcile.distance import SAME_DB, Chain, ChainDistance
from fleet.reconcile.exact import ROUNDING
from fleet.reconcile.words import (
    SETTING_WORDS,
    crossover_words,
    delay_words,
    level_words,
    ms,
    phase_words,
    range_words,
    raw,
    response_words,
)

SERIOUS_DB: Final = 6.0
SAME_DEG: Final = 1.0
"""Phases closer than this are one."""


@dataclass(frozen=True, slots=True)
class Finding:
    """A difference before it is known where it is."""

    setting: str
    grade: Grade
    words: str
    wanted: str
    found: str
    amount: float | None = None
    unit: str = ""


def plain(setting: str, grade: Grade, words: str, wanted: object, found: object) -> Finding:
    """A difference that has no size."""
    return Finding(setting, grade, words, raw(setting, wanted), raw(setting, found))


def not_told(setting: str, wanted: object) -> Finding:
    """A setting that is wanted and of which the device says nothing."""
    return plain(setting, Grade.AUDIBLE, f"{SETTING_WORDS[setting]} is not told", wanted, None)


def muted(causes: Sequence[str], *, wanted: bool) -> Finding:
    """A mute that should not be, or one that is missing."""
    by = f" by {listed(causes)}" if causes else ""
    words = "not muted, wanted muted" if wanted else f"muted{by}"
    return plain("mute", Grade.SERIOUS, words, wanted, not wanted)


def polarity(wanted: str, found: str) -> Finding:
    """The wrong polarity."""
    return plain("polarity", Grade.SERIOUS, f"polarity is {found}, wanted {wanted}", wanted, found)


def level(position: Position, wanted: float, found: float) -> Finding:
    """A level that is off."""
    grade = _db_grade(found - wanted, position.tolerances.level_db)
    return _sized("level_db", grade, level_words(found - wanted), wanted, found)


def delay(position: Position, wanted: float, found: float) -> Finding:
    """A delay that is off; serious where a fill's order of arrival is turned round."""
    late = found - wanted
    tolerances = position.tolerances
    tolerance = tolerances.coherent_delay_ms if position.coherent else tolerances.delay_ms
    grade, words = _grade(late, tolerance), delay_words(late)
    align = position.time_align
    if position.role == "fill" and align and align.offset_ms > 0 and align.offset_ms + late < -ROUNDING:
        grade = Grade.SERIOUS
        words += f"; it arrives {ms(-align.offset_ms - late)} before {align.to}"
    return _sized("delay_ms", grade, words, wanted, found)


def out_of_range(position: Position, setting: str, between: Between, found: float) -> Finding | None:
    """A value outside its allowed range; `None` inside."""
    off = max(between.low - found, found - between.high)
    if off <= ROUNDING:
        return None
    if setting == "delay_ms":
        grade, unit = _grade(off, position.tolerances.delay_ms), "ms"
    else:
        grade, unit = _db_grade(off, position.tolerances.level_db), "dB"
    allowed = f"{raw(setting, between.low)} to {raw(setting, between.high)}"
    return Finding(setting, grade, range_words(setting, found, between), allowed, raw(setting, found), off, unit)


def other_filter(setting: str, wanted: Crossover | NoFilter, found: Crossover | NoFilter) -> Finding | None:
    """A crossover filter that is missing, too many, or of another family or slope; `None` where those agree."""
    if isinstance(wanted, Crossover) and isinstance(found, Crossover):
        if (wanted.family, wanted.slope_db_per_octave) == (found.family, found.slope_db_per_octave):
            return None
    elif wanted == found:
        return None
    is_now = crossover_words(found) if isinstance(found, Crossover) else "missing"
    should = crossover_words(wanted) if isinstance(wanted, Crossover) else "none"
    return plain(setting, Grade.SERIOUS, f"{SETTING_WORDS[setting]} is {is_now}, wanted {should}", wanted, found)


def response(position: Position, setting: str, wanted: Chain, found: Chain, distance: ChainDistance) -> Finding | None:
    """Filter chains whose responses differ; `None` where they are one, by whatever parameters.

    Level counts first; phase in a coherent set, or where it is all that differs; then what lies beyond the passband.
    """
    tolerances = position.tolerances
    inside = abs(distance.inside_db) >= SAME_DB
    outside = abs(distance.outside_db) >= SAME_DB
    phase_counts = bool(position.coherent) and distance.phase_deg >= tolerances.coherent_phase_deg - ROUNDING
    only_phase = not inside and not outside and distance.phase_deg >= SAME_DEG
    if not (inside or outside or phase_counts or only_phase):
        return None
    grade = _db_grade(distance.inside_db, tolerances.eq_db) if inside else Grade.SLIGHT
    amount, unit = (abs(distance.inside_db if inside else distance.outside_db), "dB")
    words = []
    if inside:
        words.append(response_words(distance.inside_db, distance.inside_hz))
    if phase_counts or only_phase:
        words.append(phase_words(distance.phase_deg, distance.phase_hz))
        if grade < Grade.AUDIBLE:
            grade = Grade.AUDIBLE if phase_counts else Grade.SLIGHT
            amount, unit = distance.phase_deg, "degrees"
    if not words:
        beyond = response_words(distance.outside_db, distance.outside_hz)
        words.append(f"{beyond}, outside what this output plays")
    sentence = f"{SETTING_WORDS[setting]}: {'; '.join(words)}"
    return Finding(setting, grade, sentence, raw(setting, wanted), raw(setting, found), amount, unit)


def _sized(setting: str, grade: Grade, words: str, wanted: float, found: float) -> Finding:
    unit = "ms" if setting.endswith("_ms") else "dB"
    return Finding(setting, grade, words, raw(setting, wanted), raw(setting, found), abs(found - wanted), unit)


def _db_grade(off_db: float, tolerance_db: float) -> Grade:
    return Grade.SERIOUS if abs(off_db) > SERIOUS_DB + ROUNDING else _grade(off_db, tolerance_db)


def _grade(off: float, tolerance: float) -> Grade:
    return Grade.AUDIBLE if abs(off) >= tolerance - ROUNDING else Grade.SLIGHT
