"""Several differences of one position in brief: the gravest in full, the others by their names."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from fleet.model.deviation import AgreedDeviation
from fleet.model.difference import Difference, Grade
from fleet.model.listing import listed
from fleet.reconcile.words import SETTING_WORDS

NAMED: Final = 4
"""Settings are named up to this number, and counted above it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """A difference as it is said; `slot` where it is one of a slot's contents."""

    setting: str
    slot: int | None
    grade: Grade
    words: str


def in_brief(said: Sequence[Said]) -> str:
    """`in slot 1, wanted slot 5; also level and EQ`."""
    gravest, *others = sorted(said, key=lambda one: -one.grade)
    if not others:
        return gravest.words
    rest = f"{len(others)} settings more" if len(others) > NAMED else names_of([(o.setting, o.slot) for o in others])
    return f"{gravest.words}; also {rest}"


def said_of(difference: Difference) -> Said:
    """A difference as it is said in brief."""
    slot = difference.slot if difference.subject == "stored" else None
    return Said(setting=difference.setting, slot=slot, grade=difference.grade, words=difference.words)


def said_of_deviation(deviation: AgreedDeviation) -> Said:
    """An agreed deviation as it is said in brief."""
    slot = deviation.slot if deviation.subject == "stored" else None
    return Said(setting=deviation.setting, slot=slot, grade=deviation.grade, words=deviation.words)


def names_of(settings: Iterable[tuple[str, int | None]]) -> str:
    """Settings by their names, each with the slot whose contents it is of: `level and EQ, and the same in slot 5`."""
    by_slot: dict[int | None, list[str]] = {}
    for setting, slot in dict.fromkeys(settings):
        by_slot.setdefault(slot, []).append(SETTING_WORDS[setting])
    live = by_slot.pop(None, [])
    parts = [listed(live)] if live else []
    parts += [f"{'the same' if names == live else listed(names)} in slot {slot}" for slot, names in by_slot.items()]
    return ", and ".join(parts)
