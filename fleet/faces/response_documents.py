"""The JSON document of responses."""

from __future__ import annotations

from fleet.faces.documents import Document
from fleet.model.edge import plain
from fleet.reconcile.chains import FLOOR_DB
from fleet.services.responses import Responses


def responses(found: Responses) -> Document:
    """Wanted and reported gains in dB at each of `frequencies_hz`; filters count down to `floor_db`."""
    return {"format": "fleet-responses/1", "floor_db": FLOOR_DB, **plain(found)}
