"""Checks of equalisers: boost, bands that cannot be heard, that repeat or cancel each other."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterator
from itertools import combinations
from typing import Final

from fleet.desired.finding import PRACTICE, Check, Design, Remark, Severity
from fleet.desired.members import by_place
from fleet.desired.responses import Equaliser, largest_boost
from fleet.desired.wording import quoted
from fleet.model.settings import Band
from fleet.model.venue import Position

USABLE_SHARE: Final = 0.45
LARGEST_BOOST_DB: Final = 12.0
LARGEST_CUT_DB: Final = -18.0
USUAL_Q: Final = (0.3, 20.0)
AUDIBLE_HZ: Final = (20.0, 20_000.0)
BESIDE_OCTAVES: Final = 1 / 3
"""How far beside its passband a box still sounds."""
SAME_OCTAVES: Final = 1 / 12
NEAR_OCTAVES: Final = 1 / 6
SAME_Q: Final = 1.1
SAME_DB: Final = 0.5
ROUNDING: Final = 1e-6


def band_frequency(design: Design) -> Iterator[Remark]:
    """An EQ band near or above half the device's sample rate."""
    for position, description in design.described():
        rate = description.sample_rate_hz
        for band in position.fixed.eq or ():
            if band.frequency_hz <= USABLE_SHARE * rate and band.frequency_hz < rate / 2:
                continue
            head = f"EQ band at {band.frequency_hz:g} Hz of {quoted(position.name)}"
            if band.frequency_hz >= rate / 2:
                text = f"{head} is not below half the sample rate of {quoted(position.device)} ({rate / 2:g} Hz)"
                yield Remark("error", position, "eq", text)
            else:
                text = f"{head} is above 0.45 of the sample rate of {quoted(position.device)} and will be misshapen"
                yield Remark("warning", position, "eq", text)


def band_range(design: Design) -> Iterator[Remark]:
    """A band of more than anybody needs."""
    yield from _of_eqs(design, "warning", _beyond)


def eq_boost(design: Design) -> Iterator[Remark]:
    """Bands that together lift a frequency by more than 12 dB."""
    yield from _of_eqs(design, "warning", _lifts)


def eq_headroom(design: Design) -> Iterator[Remark]:
    """A level that with the boost of the EQ is more than the output can give."""
    for position, description in design.described():
        output = description.output(position.output)
        allowed = position.between.get("level_db")
        level = allowed.high if allowed else position.fixed.level_db
        eq = Equaliser.of(position)
        if output is None or level is None or eq is None:
            continue
        boost, at_hz = largest_boost(eq, description.sample_rate_hz)
        if level <= output.level_db.max and level + boost > output.level_db.max + ROUNDING:
            text = (
                f"{quoted(position.name)} at {level:g} dB with {boost:.1f} dB of boost at {at_hz:.0f} Hz is "
                f"{level + boost - output.level_db.max:.1f} dB more than its output has ({output.level_db.max:g} dB)"
            )
            yield Remark("warning", position, "eq", text)


def eq_passband(design: Design) -> Iterator[Remark]:
    """A band where the box does not sound."""
    beside = 2.0**BESIDE_OCTAVES
    for position, description in design.described():
        output = description.output(position.output)
        for band in (position.fixed.eq or ()) if output else ():
            low, high = output.passband_hz if output else AUDIBLE_HZ
            if low / beside - ROUNDING <= band.frequency_hz <= high * beside + ROUNDING:
                continue
            severity: Severity = "warning" if band.gain_db > 0 else "note"
            text = (
                f"EQ band at {band.frequency_hz:g} Hz of {quoted(position.name)} lies outside of what its output "
                f"plays ({low:g} to {high:g} Hz)"
            )
            yield Remark(severity, position, "eq", text)


def bands_twice(design: Design) -> Iterator[Remark]:
    """Two bands of one EQ that are the same, undo each other, or could be one."""
    for severity in ("warning", "note"):
        yield from _of_eqs(design, severity, _pairs_of[severity])


def _of_eqs(design: Design, severity: Severity, say: Callable[[Equaliser], list[str]]) -> Iterator[Remark]:
    """What there is to say of each EQ, once for all positions that have it from one line."""
    by_eq: dict[Equaliser, list[Position]] = defaultdict(list)
    for position in design.ours():
        eq = Equaliser.of(position)
        if eq is not None:
            by_eq[eq].append(position)
    for eq, positions in by_eq.items():
        for text in say(eq):
            for position, names in by_place(design, positions, "eq"):
                yield Remark(severity, position, "eq", f"EQ of {names}: {text}")


def _beyond(eq: Equaliser) -> list[str]:
    said = []
    for band in eq.bands:
        head = f"the band at {band.frequency_hz:g} Hz"
        if not LARGEST_CUT_DB <= band.gain_db <= LARGEST_BOOST_DB:
            said.append(f"{head} has {band.gain_db:+g} dB; usual are -18 to +12 dB")
        if not USUAL_Q[0] <= band.q <= USUAL_Q[1]:
            said.append(f"{head} has a q of {band.q:g}; usual are 0.3 to 20")
        if not AUDIBLE_HZ[0] <= band.frequency_hz <= AUDIBLE_HZ[1]:
            said.append(f"{head} lies outside of what people hear (20 Hz to 20 kHz)")
    return said


def _lifts(eq: Equaliser) -> list[str]:
    boost, at_hz = largest_boost(eq)
    alone = max((band.gain_db for band in eq.bands), default=0.0)
    if boost <= LARGEST_BOOST_DB + ROUNDING or alone > LARGEST_BOOST_DB:  # a single band is complained of as such
        return []
    return [f"all together it lifts {at_hz:.0f} Hz by {boost:.1f} dB, which is over 12 dB"]


def _repeated(eq: Equaliser) -> list[str]:
    said = []
    for one, other in combinations(eq.bands, 2):
        if one.shape != other.shape or not _same_width(one, other):
            continue
        if abs(one.gain_db - other.gain_db) <= SAME_DB and one.shape != "all_pass":
            said.append(f"the {_two(one, other)} are one band given twice")
        elif abs(one.gain_db + other.gain_db) <= SAME_DB:
            said.append(f"the {_two(one, other)} undo each other")
    return said


def _could_be_one(eq: Equaliser) -> list[str]:
    return [
        f"the {_two(one, other)} overlap; one band could do"
        for one, other in combinations(eq.bands, 2)
        if one.shape == other.shape == "bell"
        and one.gain_db * other.gain_db > 0
        and _apart_octaves(one, other) <= NEAR_OCTAVES
        and not (_same_width(one, other) and abs(one.gain_db - other.gain_db) <= SAME_DB)
    ]


_pairs_of: Final[dict[Severity, Callable[[Equaliser], list[str]]]] = {
    "warning": _repeated,
    "note": _could_be_one,
}


def _same_width(one: Band, other: Band) -> bool:
    return _apart_octaves(one, other) <= SAME_OCTAVES and max(one.q, other.q) <= SAME_Q * min(one.q, other.q)


def _apart_octaves(one: Band, other: Band) -> float:
    return abs(math.log2(one.frequency_hz / other.frequency_hz))


def _two(one: Band, other: Band) -> str:
    shape = one.shape.replace("_", " ")
    first, second = (f"{band.frequency_hz:g} Hz ({band.gain_db:+g} dB)" for band in (one, other))
    return f"{shape}s at {first} and {second}"


CHECKS: Final = (
    Check(
        name="band-frequency",
        look=band_frequency,
        severities=("error", "warning"),
        seeks="An EQ band above 0.45 of the device's sample rate (warning), or not below half of it (error).",
        explains="A digital filter ends at half the sample rate (Nyquist), and the bilinear transform squeezes every "
        "curve towards it: at 48 kHz a band above 21.6 kHz has lost its shape.",
        source="W3C Audio EQ Cookbook (2021) for the transform; 0.45: common practice, no published source",
    ),
    Check(
        name="band-range",
        look=band_range,
        severities=("warning",),
        seeks="A band over +12 dB or under -18 dB, with a q outside 0.3 to 20, or outside 20 Hz to 20 kHz.",
        explains="12 dB more take 16 times the power at that frequency; a box has less. Deeper cuts and sharper bands "
        "are nearly always slips of a finger.",
        source=PRACTICE,
    ),
    Check(
        name="eq-boost",
        look=eq_boost,
        severities=("warning",),
        seeks="An EQ that all together lifts a frequency by more than 12 dB.",
        explains="The response of all bands, and of the target curve under them, is computed on a grid of 80 points a "
        "decade; what overlaps adds in dB.",
        source="W3C Audio EQ Cookbook (2021) for the response; 12 dB: common practice, no published source",
    ),
    Check(
        name="eq-headroom",
        look=eq_headroom,
        severities=("warning",),
        seeks="A level that, with the largest boost of the EQ, is above the highest level of the output.",
        explains="Boost uses up headroom just as level does: at that frequency the output clips or its limiter works.",
        source=PRACTICE,
    ),
    Check(
        name="eq-passband",
        look=eq_passband,
        severities=("warning", "note"),
        seeks="A band more than a third of an octave outside the output's passband: a boost (warning), or a cut "
        "(note).",
        explains="Below its passband a box turns a boost into excursion and heat, above it into nothing.",
        source=PRACTICE,
    ),
    Check(
        name="bands-twice",
        look=bands_twice,
        severities=("warning", "note"),
        seeks="Two bands of one EQ that are the same or undo each other (frequency within 1/12 octave, q within 10 %, "
        "gain within 0.5 dB; warning), or two bells of one direction within 1/6 octave (note).",
        explains="Usually a curve that was chained to itself, or a correction on top of a correction. Each takes a "
        "band that the device has few of.",
        source=PRACTICE,
    ),
)
