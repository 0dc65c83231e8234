"""The JSON documents of rooms: all of them, one position by position, and one on hold."""

from __future__ import annotations

from collections.abc import Mapping

from fleet.faces.diff_documents import sentence
from fleet.faces.documents import Document
from fleet.model.difference import Comparison
from fleet.model.edge import plain
from fleet.model.hold import Hold
from fleet.model.venue import Room
from fleet.services.room_view import PositionView, RoomView


def rooms(venue_rooms: Mapping[str, Room], compared: Mapping[str, Comparison], holds: Mapping[str, Hold]) -> Document:
    """Each room and whether it is as it should be, by what its devices last told."""
    return {
        "format": "fleet-rooms/1",
        "rooms": [
            {
                "room": name,
                "name": room.title,
                "house_curve": room.house_curve,
                "positions": len(room.positions),
                "groups": {g.name: list(g.positions) for _, g in sorted(room.groups.items())},
                "same": compared[name].same(),
                "words": sentence(compared[name]),
                "hold": plain(holds[name]) if name in holds else None,
            }
            for name, room in sorted(venue_rooms.items())
        ],
    }


def room(view: RoomView) -> Document:
    """A room by what its devices last told."""
    return {
        "format": "fleet-room/1",
        "room": view.room,
        "name": view.title,
        "house_curve": view.house_curve or None,
        "same": view.comparison.same(),
        "words": sentence(view.comparison),
        "positions": [_position(p) for p in view.positions],
    }


def hold(h: Hold) -> Document:
    """A room on hold."""
    return {"format": "fleet-hold/1", **plain(h)}


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
