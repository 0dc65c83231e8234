"""Checks of what would be heard: bands the sample rate cannot carry, tops and subs that do not belong together."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from typing import Final

from fleet.desired.finding import Design, Remark, some
from fleet.desired.places import Place
from fleet.desired.wording import listed, quoted
from fleet.model.settings import Crossover
from fleet.model.venue import Position, Room

USABLE_SHARE: Final = 0.45
"""Share of the sample rate up to which a digital EQ band still has its shape (common practice, no published source)."""
SAME_CORNER: Final = 0.03
"""Corners closer than this belong together (common practice, no published source)."""
TOP_ROLES: Final = frozenset({"top", "main"})
SUB_ROLE: Final = "sub"


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


def full_range_top(design: Design) -> Iterator[Remark]:
    """Tops without a high-pass in a room whose subs have a low-pass: both would play the same octaves."""
    for room in design.version.venue.rooms.values():
        lows = _low_passes(room)
        open_tops = [top for top in _tops(room) if not isinstance(top.fixed.high_pass, Crossover)]
        for top, names in _by_place(design, open_tops if lows else [], "high_pass"):
            text = f"{names} would play full-range while the subs have a low-pass ({_words(lows)}); give a `high_pass`"
            yield Remark("warning", top, "high_pass", text)


def crossover_pair(design: Design) -> Iterator[Remark]:
    """Tops whose high-pass matches no sub's low-pass of the room in family, slope and frequency."""
    for room in design.version.venue.rooms.values():
        lows = _low_passes(room)
        by_high: dict[Crossover, list[Position]] = defaultdict(list)
        for top in _tops(room):
            high = top.fixed.high_pass
            if isinstance(high, Crossover) and lows and not any(_belong_together(high, low) for low in lows):
                by_high[high].append(top)
        for high, tops in by_high.items():
            for top, names in _by_place(design, tops, "high_pass"):
                pair = f"({_words({high})}) does not belong to the subs' low-pass ({_words(lows)})"
                yield Remark("warning", top, "high_pass", f"the high-pass of {names} {pair}")


def _tops(room: Room) -> list[Position]:
    """Positions with a top's role, or with none but in a coherent set."""
    return [
        position
        for position in room.positions.values()
        if position.role in TOP_ROLES or (not position.role and position.coherent)
    ]


def _low_passes(room: Room) -> set[Crossover]:
    """The low-passes of the room's subs."""
    subs = (position for position in room.positions.values() if position.role == SUB_ROLE)
    return {low for sub in subs if isinstance(low := sub.fixed.low_pass, Crossover)}


def _belong_together(high: Crossover, low: Crossover) -> bool:
    same_kind = (high.family, high.slope_db_per_octave) == (low.family, low.slope_db_per_octave)
    return same_kind and abs(high.frequency_hz / low.frequency_hz - 1) <= SAME_CORNER + 1e-9


def _by_place(design: Design, positions: Iterable[Position], setting: str) -> Iterator[tuple[Position, str]]:
    """One position and the names of all for each line of the files, so that a group is complained of once."""
    groups: dict[Place, list[Position]] = defaultdict(list)
    for position in positions:
        groups[design.version.places.place(position.room, position.name, setting)].append(position)
    for members in groups.values():
        yield members[0], some([member.name for member in members])


def _words(crossovers: Iterable[Crossover]) -> str:
    return listed(
        sorted(
            f"{each.family.replace('_', '-')}, {each.slope_db_per_octave} dB per octave, {each.frequency_hz:g} Hz"
            for each in crossovers
        ),
        "or",
    )
