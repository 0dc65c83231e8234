"""Checks of the filters of one output: that they exist, leave something between them, and protect the box."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from fleet.acoustics.crossovers import exists
from fleet.desired.finding import PRACTICE, Check, Design, Remark
from fleet.desired.wording import quoted
from fleet.model.settings import Crossover, corner_hz

ROUNDING: Final = 1e-9


def protective_high_pass(design: Design) -> Iterator[Remark]:
    """A high-pass lower than the one that keeps the box from harm."""
    for position, description in design.described():
        output, high = description.output(position.output), position.fixed.high_pass
        if output is None or output.protective_high_pass_hz is None or high is None:
            continue
        corner = corner_hz(high)
        if corner < output.protective_high_pass_hz - ROUNDING:
            has = f"a high-pass of {corner:g} Hz" if corner else "no high-pass"
            text = (
                f"{quoted(position.name)} would have {has}; its box needs {output.protective_high_pass_hz:g} Hz or more"
            )
            yield Remark("error", position, "high_pass", text)


def no_such_filter(design: Design) -> Iterator[Remark]:
    """A family that has no filter of the slope."""
    for setting in ("high_pass", "low_pass"):
        for position in design.ours():
            chosen = getattr(position.fixed, setting)
            if isinstance(chosen, Crossover) and not exists(chosen.family, chosen.slope_db_per_octave):
                kind = chosen.family.replace("_", "-")
                text = f"there is no {kind} filter of {chosen.slope_db_per_octave} dB per octave"
                yield Remark("error", position, setting, text)


def filters_crossed(design: Design) -> Iterator[Remark]:
    """A high-pass that is not below the low-pass of the same output."""
    for position in design.ours():
        high, low = position.fixed.high_pass, position.fixed.low_pass
        if isinstance(high, Crossover) and isinstance(low, Crossover) and high.frequency_hz >= low.frequency_hz:
            text = (
                f"{quoted(position.name)} would play next to nothing: its high-pass ({high.frequency_hz:g} Hz) is not "
                f"below its low-pass ({low.frequency_hz:g} Hz)"
            )
            yield Remark("error", position, "high_pass", text)


CHECKS: Final = (
    Check(
        name="protective-high-pass",
        look=protective_high_pass,
        severities=("error",),
        seeks="A high-pass that is lower than the device's protective one, or none where it has one.",
        explains="Below its tuning a driver moves farther without sounding louder, until it is damaged. A change that "
        "lowers the protection is refused.",
        source=PRACTICE,
        silenceable=False,
    ),
    Check(
        name="no-such-filter",
        look=no_such_filter,
        severities=("error",),
        seeks="A high- or low-pass of a family and slope that does not exist.",
        explains="A Linkwitz-Riley filter is a Butterworth filter twice, so that its slopes are 12, 24, 36 and 48 dB "
        "per octave; Bessel filters are known here for 12, 18, 24, 36 and 48.",
        source="S. Linkwitz, JAES 24(1), 1976; W. E. Thomson, 1949",
        silenceable=False,
    ),
    Check(
        name="filters-crossed",
        look=filters_crossed,
        severities=("error",),
        seeks="An output whose high-pass is not below its low-pass.",
        explains="What one lets through the other takes away.",
        source=PRACTICE,
    ),
)
