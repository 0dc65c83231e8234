"""What captured positions have in common, so that it is written once: for all of them, or for a group."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final, TypeAlias

from fleet.model.settings import Crossover
from fleet.reconcile.capture_values import CapturedOutput, Value

Accepts: TypeAlias = Callable[[CapturedOutput, str, Value], bool]
Pairs: TypeAlias = frozenset[tuple[str, Value]]

MOST_COMPARED: Final = 80
"""Kinds of position that are all compared pair by pair; of more, only the most frequent are."""
FREQUENT: Final = 24
WEIGHT_OF_CROSSOVER: Final = 3
"""How many plain settings it is worth, by the room it takes in a file."""


@dataclass(frozen=True, slots=True)
class Shared:
    """Settings that several positions share: `members` by their place in the list of outputs."""

    pairs: Pairs
    members: tuple[int, ...]


def unify(outputs: Sequence[CapturedOutput], setting: str, accepts: Accepts) -> None:
    """Give outputs one value for a setting wherever one would do for all of them.

    Devices of different steps, or that count Q differently, hold the same thing in slightly different numbers.
    """
    open_ = [one for one in outputs if setting in one.values]
    values = list(dict.fromkeys(one.values[setting] for one in open_))
    if len(values) < 2:
        return
    takers = {value: [n for n, one in enumerate(open_) if _takes(one, setting, value, accepts)] for value in values}
    left = set(range(len(open_)))
    while left:
        best = max(values, key=lambda value: (len(left.intersection(takers[value])), -len(str(value))))
        taken = left.intersection(takers[best])
        if not taken:
            return
        for number in taken:
            open_[number].values[setting] = best
        left -= taken


def for_all(outputs: Sequence[CapturedOutput], setting: str, accepts: Accepts) -> Value | None:
    """The value of a setting that serves every output, those without such a setting included; `None` without one."""
    values = Counter(one.values[setting] for one in outputs if setting in one.values)
    for value, count in values.most_common(1):
        if count > 1 and all(one.values.get(setting) == value or accepts(one, setting, value) for one in outputs):
            return value
    return None


def groups(outputs: Sequence[CapturedOutput]) -> list[Shared]:
    """Groups that make the file shorter, the most useful first; a position is in one at most. Mutes are not shared."""
    left = {n: frozenset((s, v) for s, v in one.values.items() if s != "mute") for n, one in enumerate(outputs)}
    found: list[Shared] = []
    while True:
        kinds = Counter(left.values())
        saved = {pairs: _saved(pairs, kinds) for pairs in _candidates(kinds)}
        best = max(saved, key=lambda pairs: (saved[pairs], len(pairs), repr(sorted(pairs, key=repr))), default=None)
        if best is None or saved[best] <= 0:
            return found
        members = tuple(number for number, pairs in left.items() if best <= pairs)
        found.append(Shared(best, members))
        for number in members:
            del left[number]


def _takes(one: CapturedOutput, setting: str, value: Value, accepts: Accepts) -> bool:
    own = one.values[setting]
    return own == value or (_close(own, value) and accepts(one, setting, value))


def _close(own: Value, value: Value) -> bool:
    """A quick look at whether two values may be one to a device."""
    if isinstance(own, tuple) and isinstance(value, tuple):
        return [band.shape for band in own] == [band.shape for band in value]
    if isinstance(own, float) and isinstance(value, float):
        return abs(own - value) <= 1
    return type(own) is type(value)


def _candidates(kinds: Counter[Pairs]) -> set[Pairs]:
    compared = [pairs for pairs, _ in kinds.most_common(FREQUENT if len(kinds) > MOST_COMPARED else None)]
    return {*compared, *(one & other for one, other in combinations(compared, 2))}


def _saved(pairs: Pairs, kinds: Mapping[Pairs, int]) -> int:
    """How much shorter the file gets: settings that are not repeated, less the group's line and its mentions."""
    members = sum(count for own, count in kinds.items() if pairs <= own)
    weight = sum(WEIGHT_OF_CROSSOVER if isinstance(value, Crossover) else 1 for _, value in pairs)
    return (members - 1) * weight - members - 1 if members > 1 else 0
