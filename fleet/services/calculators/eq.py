"""The response of a chain of bands and crossovers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, get_args

import numpy as np

from fleet.acoustics.bands import midbands_hz
from fleet.acoustics.biquads import Floats
from fleet.acoustics.crossovers import Kind
from fleet.acoustics.grid import r80_between
from fleet.acoustics.response import magnitude_db
from fleet.errors import BadInput
from fleet.model.edge import parse
from fleet.model.settings import Band, Crossover, Shape
from fleet.reconcile.chains import crossover_sections, eq_sections
from fleet.services.calculators.answer import Answer

SHAPES: Final = get_args(Shape)
HIGHEST_HZ: Final = 20_000.0
FORMS: Final = "bell,1000,6,1.4 or low_shelf,90,3.5,0.7 or high_pass,linkwitz_riley,24,90"


def sections_of(bands: Sequence[str], rate_hz: float) -> Floats:
    """Sections of the chain, shape (S, 6). Raises `BadInput` that names the band that cannot be."""
    if not np.isfinite(rate_hz) or rate_hz <= 0:
        raise BadInput(f"--rate must be greater than 0, not {rate_hz:g}")
    if not bands:
        raise BadInput("no band was given", remedy=f"Write a band as {FORMS}")
    return np.concatenate([_sections(text, rate_hz) for text in bands])


def eq(bands: Sequence[str], *, rate_hz: float = 48_000, at_hz: Sequence[float] = ()) -> Answer:
    """Gain of a chain of bands at frequencies; third-octave mid-bands (IEC 61260-1) where none is given."""
    sections = sections_of(bands, rate_hz)
    for frequency in at_hz:
        _check_frequency(frequency, rate_hz, "--at")
    highest = min(HIGHEST_HZ, 0.49 * rate_hz)
    at = np.array(at_hz, dtype=np.float64) if at_hz else midbands_hz(20.0, highest, 3)
    at = at[at < rate_hz / 2]
    return Answer(
        values={
            "rate_hz": rate_hz,
            "at_hz": [float(f) for f in at],
            "gain_db": [float(g) for g in magnitude_db(sections, at, rate_hz)],
            "sections": [[float(x) for x in row] for row in sections],
        },
        formula="biquads by bilinear transform with frequency warping; crossovers as cascades of them",
        source="Audio EQ Cookbook (W3C Note, 2021); Linkwitz-Riley: S. Linkwitz, JAES 24(1), 1976",
        cautions=("near half the sample rate a digital filter is narrower than its analogue model",),
    )


def curve(bands: Sequence[str], rate_hz: float) -> tuple[Floats, Floats]:
    """Frequencies and gains of the chain for a plot: the R80 grid from 20 Hz up to 20 kHz or just under Nyquist."""
    frequencies = r80_between(20.0, min(HIGHEST_HZ, 0.499 * rate_hz))
    return frequencies, magnitude_db(sections_of(bands, rate_hz), frequencies, rate_hz)


def _sections(text: str, rate_hz: float) -> Floats:
    words = [word.strip() for word in text.split(",")]
    if len(words) != 4 or words[0] not in (*SHAPES, "high_pass", "low_pass"):
        raise BadInput(f"{text!r} is no band", remedy=f"Write it as {FORMS}")
    sections: Floats
    try:
        if words[0] in SHAPES:
            shape, frequency, gain, q = words
            numbers = {"frequency_hz": _number(frequency), "gain_db": _number(gain), "q": _number(q)}
            band = parse(Band, {"shape": shape, **numbers})
            _check_frequency(band.frequency_hz, rate_hz, text)
            sections = eq_sections([[band]], rate_hz)[0]
        else:
            kind: Kind = "high_pass" if words[0] == "high_pass" else "low_pass"
            _, family, slope, frequency = words
            numbers = {"slope_db_per_octave": _number(slope), "frequency_hz": _number(frequency)}
            filter_ = parse(Crossover, {"family": family, **numbers})
            _check_frequency(filter_.frequency_hz, rate_hz, text)
            sections = crossover_sections(kind, [filter_], rate_hz)[0]
    except BadInput as error:
        raise BadInput(f"{text!r}: {error.what}", remedy=f"Write a band as {FORMS}") from None
    return sections


def _number(word: str) -> float | int:
    try:
        number = float(word)
    except ValueError:
        raise BadInput(f"{word!r} is no number") from None
    return int(number) if number.is_integer() else number


def _check_frequency(frequency_hz: float, rate_hz: float, where: str) -> None:
    if not 0 < frequency_hz < rate_hz / 2:
        raise BadInput(f"{where}: {frequency_hz:g} Hz is not between 0 and half the sample rate, {rate_hz / 2:g} Hz")
