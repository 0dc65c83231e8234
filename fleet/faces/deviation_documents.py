"""The JSON documents of agreed deviations: the list of them, and differences that are about to be agreed."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from fleet.faces.diff_documents import difference
from fleet.faces.documents import Document
from fleet.model.deviation import AgreedDeviation
from fleet.model.edge import plain
from fleet.services.deviations import Found


def deviations(listed: Iterable[AgreedDeviation], stands: Callable[[AgreedDeviation], bool]) -> Document:
    """Deviations, and whether each `stands`."""
    return {"format": "fleet-deviations/1", "deviations": [_deviation(d, stands(d)) for d in listed]}


def found(f: Found) -> Document:
    """Differences as they are now, with the digest by which they are agreed."""
    return {
        "format": "fleet-deviations-found/1",
        "room": f.room,
        "position": f.position,
        "digest": f.digest,
        "differences": [difference(d) for d in f.differences],
    }


def _deviation(d: AgreedDeviation, stands: bool) -> Document:
    told = {"told_week", "told_end", "settings", "active_slot", "grade"}
    kept = {name: value for name, value in plain(d).items() if name not in told}
    return {**kept, "grade": d.grade.word, "stands": stands, "over": plain(d.over)}
