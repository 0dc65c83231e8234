"""The JSON document of a room's history."""

from __future__ import annotations

from fleet.faces.change_documents import change_row
from fleet.faces.documents import Document
from fleet.model.change import ChangeRecord
from fleet.model.edge import plain
from fleet.services.history import RoomHistory


def history(of: RoomHistory) -> Document:
    """A room's history. Times are UTC; `time_zone` is the venue's."""
    return {
        "format": "fleet-history/1",
        "room": of.room,
        "time_zone": of.time_zone,
        "stored": _row(of.stored),
        "recalled": _row(of.recalled),
        "versions": [
            {
                "version": one.version.number,
                "sha256": one.version.sha256,
                "at": plain(one.version.at),
                "who": one.version.who,
                "note": one.version.note,
                "changes": [plain(changed) for changed in one.changes],
            }
            for one in of.versions
        ],
        "more": of.more,
    }


def _row(record: ChangeRecord | None) -> Document | None:
    return None if record is None else change_row(record)
