"""The JSON documents of differences, and whether a room is as it should be in one sentence."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from fleet.faces.documents import Document
from fleet.model.difference import Comparison, Difference, Grade
from fleet.model.edge import plain
from fleet.model.listing import counted


def difference(d: Difference) -> Document:
    """One difference, its grade as a word."""
    return {**plain(d), "grade": d.grade.word}


def diff(comparison: Comparison, rooms: Iterable[str]) -> Document:
    """What differs, what was noted and what was not checked."""
    grades = Counter(d.grade for d in comparison.differences)
    return {
        "format": "fleet-diff/1",
        "rooms": sorted(rooms),
        "same": comparison.same(),
        "checked": len(comparison.checked),
        "counts": {grade.word: grades[grade] for grade in Grade},
        "differences": [difference(d) for d in comparison.differences],
        "notes": [plain(n) for n in comparison.notes],
        "not_checked": [plain(n) for n in comparison.not_checked],
    }


def sentence(comparison: Comparison) -> str:
    """Whether a room is as it should be, in one sentence."""
    apart = {(d.room, d.position) for d in comparison.counting()}
    away = [n for n in comparison.not_checked if n.reason != "life_safety"]
    silent = {(n.room, n.position) for n in comparison.notes if n.silent}
    if not apart and not away and not silent:
        return "as it should be"
    parts = [] if apart or away else ["as it should be"]
    if apart:
        serious = {(d.room, d.position) for d in comparison.counting() if d.grade is Grade.SERIOUS}
        how = f" ({len(serious)} seriously)" if serious else ""
        parts.append(("1 position differs" if len(apart) == 1 else f"{len(apart)} positions differ") + how)
    if away:
        parts.append(f"{counted(len(away), 'position')} could not be checked")
    if silent:
        parts.append(f"{counted(len(silent), 'position')} muted by an alarm or an external contact")
    return ", ".join(parts)
