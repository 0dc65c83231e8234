"""The sentences of differences and notes: pure formatting, in an engineer's words."""

from __future__ import annotations

from typing import Final

from fleet.acoustics.delay import m_of_ms
from fleet.model.names import shown
from fleet.model.settings import Band, Crossover, NoFilter
from fleet.model.venue import Between

SETTING_WORDS: Final[dict[str, str]] = {
    "level_db": "level",
    "mute": "mute",
    "polarity": "polarity",
    "delay_ms": "delay",
    "eq": "EQ",
    "high_pass": "high-pass",
    "low_pass": "low-pass",
    "slot": "active slot",
    "input": "input",
    "panel_locked": "panel lock",
    "power_up_slot": "power-up slot",
}
FAMILY_WORDS: Final[dict[str, str]] = {
    "butterworth": "Butterworth",
    "linkwitz_riley": "Linkwitz-Riley",
    "bessel": "Bessel",
}


def number(value: float) -> str:
    """One decimal from 1 on and two below, without trailing zeros: 12, 3.2, 0.35."""
    size = abs(value)
    text = f"{value:.1f}" if size >= 0.995 or size == 0 else f"{value:.2f}" if size >= 0.01 else f"{value:.1g}"
    return text.rstrip("0").rstrip(".") if "." in text and "e" not in text else text


def db(value: float) -> str:
    """A number of decibels: "3.2 dB"."""
    return f"{number(value)} dB"


def ms(value: float) -> str:
    """A number of milliseconds: "12 ms"."""
    return f"{number(value)} ms"


def hz(value: float) -> str:
    """A frequency in three figures: "31.5 Hz", "125 Hz", "2.5 kHz"."""
    return f"{value:.3g} Hz" if value < 999.5 else f"{value / 1000:.3g} kHz"


def level_words(found_minus_wanted_db: float) -> str:
    """How far a level is off: "1.5 dB louder than wanted"."""
    return f"{db(abs(found_minus_wanted_db))} {'louder' if found_minus_wanted_db > 0 else 'quieter'} than wanted"


def delay_words(found_minus_wanted_ms: float) -> str:
    """How far a delay is off, and what that is in air of 20 °C: "12 ms early: 4.1 m"."""
    size = abs(found_minus_wanted_ms)
    return f"{ms(size)} {'late' if found_minus_wanted_ms > 0 else 'early'}: {number(m_of_ms(size))} m"


def range_words(setting: str, value: float, between: Between) -> str:
    """How far a value is outside its allowed range."""
    unit = "ms" if setting.endswith("_ms") else "dB"
    side, off = ("below", between.low - value) if value < between.low else ("above", value - between.high)
    return f"{number(off)} {unit} {side} its range of {number(between.low)} to {number(between.high)} {unit}"


def response_words(found_minus_wanted_db: float, at_hz: float) -> str:
    """Where a response is off most: "3.2 dB too much at 2.5 kHz"."""
    side = "too much" if found_minus_wanted_db > 0 else "too little"
    return f"{db(abs(found_minus_wanted_db))} {side} at {hz(at_hz)}"


def phase_words(off_deg: float, at_hz: float) -> str:
    """Where the phase is off most: "phase 35° off at 120 Hz"."""
    return f"phase {off_deg:.0f}° off at {hz(at_hz)}"


def crossover_words(value: Crossover | NoFilter) -> str:
    """A filter as one says it: "Linkwitz-Riley 24 dB/oct at 90 Hz"; "none"."""
    if isinstance(value, Crossover):
        family = FAMILY_WORDS[value.family]
        return f"{family} {value.slope_db_per_octave} dB/oct at {hz(value.frequency_hz)}"
    return "none"


def band_words(band: Band) -> str:
    """A band as one says it: "bell 2.5 kHz -2 dB q 1.4"."""
    gain = "" if band.shape in {"notch", "all_pass"} else f" {band.gain_db:+.4g} dB"
    return f"{band.shape.replace('_', ' ')} {band.frequency_hz:.6g} Hz{gain} q {band.q:.4g}"


def raw(setting: str, value: object) -> str:
    """A setting's value as short text; "not told" where it is not given."""
    if value is None:
        return "not told"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Crossover):
        return crossover_words(value)
    if isinstance(value, tuple):
        return ", ".join(map(band_words, value)) or "no bands"
    if isinstance(value, float | int):
        unit = {"level_db": " dB", "delay_ms": " ms"}.get(setting, "")
        return f"{value:.6g}{unit}"
    return shown(str(value))
