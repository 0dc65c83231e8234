"""Restarts as JSON documents."""

from __future__ import annotations

from fleet.faces.documents import Document
from fleet.model.restart import Restart


def restart(one: Restart) -> Document:
    """A restart, as it stands or as it is planned."""
    return {
        "format": "fleet-restart/1",
        "id": one.id,
        "state": one.state,
        "ended": one.ended,
        "rooms": list(one.rooms),
        "scope": one.scope,
        "waves": [list(wave) for wave in one.waves],
        "recall": one.recall,
        "who": one.who,
        "why": one.why,
        "began": one.began.isoformat(),
        "restarted": list(one.restarted),
        "back": list(one.back),
        "not_back": [{"device": device, "words": words} for device, words in sorted(one.words.items())],
        "change": one.change,
        "trouble": one.trouble,
    }
