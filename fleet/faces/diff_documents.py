"""The JSON documents of differences, and whether a room is as it should be in one sentence."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from fleet.faces.documents import Document
from fleet.model.difference import Comparison, Difference, Grade, NotChecked
from fleet.model.edge import plain
from fleet.model.listing import counted
from fleet.reconcile.room_standing import AWAY, RoomStanding


def difference(d: Difference) -> Document:
    """One difference, its grade as a word."""
    return {**plain(d), "grade": d.grade.word}


def diff(comparison: Comparison, rooms: Iterable[str], standing: RoomStanding | None = None) -> Document:
    """What differs, what was noted and what was not checked; `standing` tells of now, where that is compared."""
    grades = Counter(d.grade for d in comparison.differences if d.agreed is None)
    return {
        "format": "fleet-diff/1",
        "rooms": sorted(rooms),
        "same": comparison.same(),
        "checked": len(comparison.checked),
        "counts": {grade.word: grades[grade] for grade in Grade},
        "agreed": len(comparison.agreed()),
        "differences": [difference(d) for d in comparison.differences],
        "notes": [plain(n) for n in comparison.notes],
        "not_checked": [_not_checked(n, standing) for n in comparison.not_checked],
    }


def sentence(comparison: Comparison, standing: RoomStanding) -> str:
    """Whether a room is as it should be, in one sentence: since when it is not, and why, where that is known."""
    if not_known := standing.not_known():
        return not_known
    counting = [d for d in comparison.counting() if not standing.by_our_mute(d)]
    apart = {(d.room, d.position) for d in counting}
    away = [n for n in comparison.not_checked if n.reason != "life_safety"]
    silent = {(n.room, n.position) for n in comparison.notes if n.silent}
    muted = standing.muted_words(comparison)
    if not apart and not away and not silent and not muted:
        return "as it should be" + agreed_words(comparison)
    parts = muted if apart or away or muted else ["as it should be"]
    if apart:
        serious = {(d.room, d.position) for d in counting if d.grade is Grade.SERIOUS}
        how = f" ({len(serious)} seriously)" if serious else ""
        differ = "1 position differs" if len(apart) == 1 else f"{len(apart)} positions differ"
        parts.append(differ + how + standing.since_words(comparison))
    if away:
        parts.append(f"{counted(len(away), 'position')} could not be checked{standing.last_seen_words(comparison)}")
    if silent:
        parts.append(f"{counted(len(silent), 'position')} muted by an alarm or an external contact")
    return ", ".join(parts) + agreed_words(comparison)


def agreed_words(comparison: Comparison) -> str:
    """How many differences are agreed and until when (the first of them), to go behind a sentence; empty for none."""
    agreed = comparison.agreed()
    if not agreed:
        return ""
    ends = sorted({d.agreed.until for d in agreed if d.agreed is not None})
    first = "until" if len(ends) == 1 else "the first until"
    return f"; {counted(len(agreed), 'agreed deviation')}{',' if len(ends) > 1 else ''} {first} {ends[0].isoformat()}"


def _not_checked(n: NotChecked, standing: RoomStanding | None) -> Document:
    """A position that was not checked; of a device that is missing or does not answer, when it was last seen."""
    if standing is None:
        return dict(plain(n))
    seen = standing.last_seen.get(n.device) if n.reason in AWAY else None
    words = (n.reason in AWAY and standing.missing_words(n.device)) or n.words
    return {**plain(n), "words": words, "last_seen": plain(seen)}
