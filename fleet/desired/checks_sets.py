"""Checks of positions that should be alike: members of a coherent set, and levels of neighbours."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from typing import Final

import numpy as np

from fleet.desired.finding import PRACTICE, Check, Design, Remark, some
from fleet.desired.members import equals_of_sets
from fleet.desired.responses import Equaliser
from fleet.desired.wording import quoted
from fleet.model.listing import listed
from fleet.model.venue import Point, Position, Room

STEP_DB: Final = 6.0
ALWAYS_ALIKE: Final = ("eq", "polarity", "high_pass", "low_pass")
PLACED: Final = ("level_db", "delay_ms")
"""What may differ where coordinates tell why."""


def set_unlike(design: Design) -> Iterator[Remark]:
    """Members of a coherent set, of one role, with different settings that no coordinates explain."""
    for room in design.rooms():
        for group, members in equals_of_sets(room):
            placed = all(member.at_m is not None for member in members)
            for setting in ALWAYS_ALIKE if placed else (*ALWAYS_ALIKE, *PLACED):
                by_value: dict[object, list[Position]] = defaultdict(list)
                for member in members:
                    value = Equaliser.of(member) if setting == "eq" else getattr(member.fixed, setting)
                    if getattr(member.fixed, setting) is not None:
                        by_value[value].append(member)
                if len(by_value) > 1:
                    usual, *others = sorted(by_value.values(), key=len, reverse=True)
                    odd = [member for each in others for member in each]
                    text = (
                        f"{some([member.name for member in odd])} and {some([member.name for member in usual])} play "
                        f"as one set ({quoted(group)}) with different {quoted(setting)}{_unexplained(setting)}"
                    )
                    yield Remark("warning", odd[0], setting, text, (*odd[1:], *usual))


def level_step(design: Design) -> Iterator[Remark]:
    """Neighbours, of one group or by coordinates, whose levels are more than 6 dB apart."""
    for room in design.rooms():
        said: set[frozenset[str]] = set()
        for quiet, loud, why in (*_of_groups(room), *_nearest(room)):
            step = _level(loud) - _level(quiet)
            pair = frozenset((quiet.name, loud.name))
            if step > STEP_DB + 1e-9 and pair not in said:
                said.add(pair)
                text = f"{quoted(quiet.name)} is {step:.1f} dB below {quoted(loud.name)}, {why}"
                yield Remark("warning", quiet, "level_db", text, (loud,))


def _unexplained(setting: str) -> str:
    return ", and no `at_m` tells why" if setting in PLACED else ""


def _of_groups(room: Room) -> Iterator[tuple[Position, Position, str]]:
    """The quietest and the loudest of each group and role."""
    for group in room.groups.values():
        by_role: dict[str, list[Position]] = defaultdict(list)
        for name in group.positions:
            if room.positions[name].fixed.level_db is not None:
                by_role[room.positions[name].role].append(room.positions[name])
        for members in by_role.values():
            yield min(members, key=_level), max(members, key=_level), f"and both belong to {quoted(group.name)}"


def _nearest(room: Room) -> Iterator[tuple[Position, Position, str]]:
    """Each position with coordinates and the one of its role that is nearest, the quieter first."""
    by_role: dict[str, list[tuple[Position, Point]]] = defaultdict(list)
    for position in room.positions.values():
        if position.role and position.at_m is not None and position.fixed.level_db is not None:
            by_role[position.role].append((position, position.at_m))
    for members in by_role.values():
        points = np.array([at_m for _, at_m in members])
        for number, (position, at_m) in enumerate(members if len(members) > 1 else ()):
            apart = np.linalg.norm(points - at_m, axis=1)
            apart[number] = np.inf
            nearest = int(np.argmin(apart))
            quiet, loud = sorted((position, members[nearest][0]), key=_level)
            yield quiet, loud, f"its nearest {position.role} ({apart[nearest]:.1f} m)"


def _level(position: Position) -> float:
    return position.fixed.level_db or 0.0


CHECKS: Final = (
    Check(
        name="set-unlike",
        look=set_unlike,
        severities=("warning",),
        seeks=f"Members of a coherent set, of one role, that differ in {listed([*ALWAYS_ALIKE])}; or in level or delay "
        "without coordinates for all of them.",
        explains="They are heard as one source: a filter on one alone turns its phase and moves the image; 0.5 ms "
        "between two take away 1 kHz. Pairs of steered subwoofers are left out. A taper that is meant is silenced "
        "with its reason.",
        source="F. A. Everest, Master Handbook of Acoustics (comb filters)",
    ),
    Check(
        name="level-step",
        look=level_step,
        severities=("warning",),
        seeks="Positions of one group and role, or nearest neighbours of one role by their coordinates, whose fixed "
        "levels are more than 6 dB apart.",
        explains="Somebody who walks from one to the other hears one as half switched off. A test level that stayed "
        "looks like this.",
        source=PRACTICE,
    ),
)
