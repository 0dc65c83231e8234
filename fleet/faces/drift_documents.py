"""The JSON document of what is not as it should be by itself."""

from __future__ import annotations

from collections.abc import Iterable

from fleet.faces.documents import Document
from fleet.model.edge import plain
from fleet.model.episode import Episode
from fleet.reconcile.room_standing import cause_of


def drift(episodes: Iterable[Episode]) -> Document:
    """All episodes that are not over, in this order."""
    return {"format": "fleet-drift/1", "episodes": [episode(e) for e in episodes]}


def episode(e: Episode) -> Document:
    """One episode, its grade as a word."""
    return {
        "kind": e.kind,
        "state": e.state,
        "present": e.present,
        "since": plain(e)["since"],
        "rooms": list(e.rooms),
        "positions": list(e.positions),
        "device": e.device,
        "settings": list(e.settings),
        "grade": e.grade.word if e.grade is not None else None,
        "words": e.words,
        "cause": cause_of(e),
    }
