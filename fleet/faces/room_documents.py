"""JSON documents of one room, position by position."""

from __future__ import annotations

from fleet.faces import documents
from fleet.faces.documents import Document
from fleet.model.edge import plain
from fleet.services.room_view import PositionView, RoomView


def room(view: RoomView) -> Document:
    """A room by what its devices last told."""
    return {
        "format": "fleet-room/1",
        "room": view.room,
        "name": view.title,
        "house_curve": view.house_curve or None,
        "same": view.comparison.same(),
        "words": documents.sentence(view.comparison),
        "positions": [_position(p) for p in view.positions],
    }


def _position(p: PositionView) -> Document:
    return {
        "position": p.position,
        "device": p.device,
        "output": p.output,
        "groups": list(p.groups),
        "life_safety": p.life_safety,
        "settings": {line.setting: {"wanted": line.wanted, "reported": line.reported} for line in p.settings},
        "line": {**plain(p.line), **plain(p.figures)} if p.line and p.figures else None,
    }
