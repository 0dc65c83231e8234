"""Checks of tops beside subs: full-range tops and subs, crossovers and polarities that do not belong together."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from typing import Final

from fleet.acoustics.crossovers import exists
from fleet.desired.finding import PRACTICE, Check, Design, Remark
from fleet.desired.members import by_place, steered, subs, tops
from fleet.desired.responses import crossover_sum, crossover_sum_at_corner
from fleet.model.listing import listed
from fleet.model.settings import Crossover
from fleet.model.venue import Position, Room

SAME_CORNER: Final = 0.03
"""Corners closer than this belong together (common practice, no published source)."""
NOTHING_LEFT_DB: Final = -40.0
_INVERTED_BY_SLOPE: Final = {12: True, 24: False, 36: True, 48: False}
"""Whether one side wants to be inverted; to the level of odd orders it makes no difference."""


def full_range_top(design: Design) -> Iterator[Remark]:
    """Tops without a high-pass in a room whose subs have a low-pass: both would play the same octaves."""
    for room in design.version.venue.rooms.values():
        lows = _low_passes(room)
        open_tops = [top for top in tops(room) if not isinstance(top.fixed.high_pass, Crossover)]
        for top, names in by_place(design, open_tops if lows else [], "high_pass"):
            text = f"{names} would play full-range while the subs have a low-pass ({_words(lows)}); give a `high_pass`"
            yield Remark("warning", top, "high_pass", text)


def full_range_sub(design: Design) -> Iterator[Remark]:
    """Subs without a low-pass in a room whose tops have a high-pass."""
    for room in design.version.venue.rooms.values():
        highs = {high for top in tops(room) if isinstance(high := top.fixed.high_pass, Crossover)}
        open_subs = [sub for sub in subs(room) if not isinstance(sub.fixed.low_pass, Crossover)]
        for sub, names in by_place(design, open_subs if highs else [], "low_pass"):
            text = (
                f"{names} would play all of the range while the tops have a high-pass ({_words(highs)}); give a "
                "`low_pass`"
            )
            yield Remark("warning", sub, "low_pass", text)


def crossover_pair(design: Design) -> Iterator[Remark]:
    """Tops whose high-pass matches no sub's low-pass of the room in family, slope and frequency."""
    for room in design.version.venue.rooms.values():
        lows = _low_passes(room)
        by_high: dict[Crossover, list[Position]] = defaultdict(list)
        for top in tops(room):
            high = top.fixed.high_pass
            if isinstance(high, Crossover) and lows and not any(_belong_together(high, low) for low in lows):
                by_high[high].append(top)
        for high, positions in by_high.items():
            for top, names in by_place(design, positions, "high_pass"):
                pair = f"({_words({high})}) does not belong to the subs' low-pass ({_words(lows)})"
                yield Remark(
                    "warning", top, "high_pass", f"the high-pass of {names} {pair}{_sum(high, lows, room, top)}"
                )


def crossover_polarity(design: Design) -> Iterator[Remark]:
    """Subs whose polarity beside their tops does not fit the slope of the crossover between them."""
    for room in design.version.venue.rooms.values():
        wrong: dict[str, Position] = {}
        because: dict[str, str] = {}
        for sub in subs(room):
            low = sub.fixed.low_pass
            tops_of_it = [top for top in tops(room) if _meet(top, sub)]
            if not isinstance(low, Crossover) or sub.name in steered(room) or not tops_of_it:
                continue
            inverted = sub.fixed.polarity != tops_of_it[0].fixed.polarity
            wanted = _INVERTED_BY_SLOPE.get(low.slope_db_per_octave, inverted)
            if inverted == wanted:
                continue
            rule = "one inverted" if wanted else "the same polarity"
            level = crossover_sum_at_corner(low, low, inverted=inverted)
            wrong[sub.name] = sub
            because[sub.name] = (
                f"with {low.slope_db_per_octave} dB per octave the subs and the tops want {rule}; as they are, they "
                f"sum to {_level(level)} at {low.frequency_hz:g} Hz"
            )
        for sub, names in by_place(design, wrong.values(), "polarity"):
            yield Remark("warning", sub, "polarity", f"polarity of {names}: {because[sub.name]}")


def _meet(top: Position, sub: Position) -> bool:
    """Whether a top and a sub share a crossover and both polarities are known."""
    high, low = top.fixed.high_pass, sub.fixed.low_pass
    known = top.fixed.polarity is not None and sub.fixed.polarity is not None
    return known and isinstance(high, Crossover) and isinstance(low, Crossover) and _belong_together(high, low)


def _low_passes(room: Room) -> set[Crossover]:
    """The low-passes of the room's subs, muted ones left out."""
    return {low for sub in subs(room) if not sub.fixed.mute and isinstance(low := sub.fixed.low_pass, Crossover)}


def _belong_together(high: Crossover, low: Crossover) -> bool:
    same_kind = (high.family, high.slope_db_per_octave) == (low.family, low.slope_db_per_octave)
    return same_kind and abs(high.frequency_hz / low.frequency_hz - 1) <= SAME_CORNER + 1e-9


def _sum(high: Crossover, lows: set[Crossover], room: Room, top: Position) -> str:
    """What top and sub sum to, where there is one low-pass and both filters exist."""
    if len(lows) != 1 or not all(exists(each.family, each.slope_db_per_octave) for each in (high, *lows)):
        return ""
    polarities = {sub.fixed.polarity or "normal" for sub in subs(room)} | {top.fixed.polarity or "normal"}
    level, at_hz = crossover_sum(next(iter(lows)), high, inverted=len(polarities) > 1)
    return f"; the filters alone sum to {_level(level)} at {at_hz:.0f} Hz"


def _level(level_db: float) -> str:
    return "next to nothing" if level_db < NOTHING_LEFT_DB else f"{level_db:+.1f} dB"


def _words(crossovers: Iterable[Crossover]) -> str:
    return listed(
        sorted(
            f"{each.family.replace('_', '-')}, {each.slope_db_per_octave} dB per octave, {each.frequency_hz:g} Hz"
            for each in crossovers
        ),
        "or",
    )


_LINKWITZ: Final = "S. Linkwitz, Active crossover networks for noncoincident drivers, JAES 24(1), 1976"

CHECKS: Final = (
    Check(
        name="full-range-top",
        look=full_range_top,
        severities=("warning",),
        seeks="Tops without a high-pass in a room whose subs have a low-pass.",
        explains="Both play the octaves below the crossover: with a Linkwitz-Riley low-pass of 24 dB per octave on "
        "the sub, it and a full-range top sum to -6.0 dB at the corner and lift the bass below it.",
        source=_LINKWITZ,
    ),
    Check(
        name="full-range-sub",
        look=full_range_sub,
        severities=("warning",),
        seeks="Subs without a low-pass in a room whose tops have a high-pass.",
        explains="Voices come from the floor, and above the crossover both play the same octaves, out of time.",
        source=PRACTICE,
    ),
    Check(
        name="crossover-pair",
        look=crossover_pair,
        severities=("warning",),
        seeks="Tops whose high-pass matches no sub's low-pass in family, slope and frequency (within 3 %).",
        explains="Only equal filters sum flat. A warning and no error: what is heard is filter and box together, and "
        "a box that falls off by itself may want another filter. The sum is that of the filters alone, for equal "
        "levels and equal arrival.",
        source=_LINKWITZ + "; 3 %: common practice, no published source",
    ),
    Check(
        name="crossover-polarity",
        look=crossover_polarity,
        severities=("warning",),
        seeks="Subs and tops with equal crossovers whose polarities do not fit the slope.",
        explains="At the corner both sides are apart by 90 degrees for each 6 dB per octave: 24 and 48 want the same "
        "polarity, 12 and 36 one side inverted, else they cancel. At 6 and 18 it makes no difference to the level.",
        source=_LINKWITZ,
    ),
)
