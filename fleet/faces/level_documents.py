"""The JSON document of the levels of a room."""

from __future__ import annotations

from collections.abc import Iterable

from fleet.faces.documents import Document
from fleet.model.edge import plain
from fleet.model.standing import OperatorLevel
from fleet.model.venue import Room
from fleet.model.venue_time import on_the_clock
from fleet.services.level_view import LevelView


def levels(room: Room, time_zone: str, views: Iterable[LevelView]) -> Document:
    """Each position of a room with its level, its range and who chose it."""
    return {
        "format": "fleet-levels/1",
        "room": room.name,
        "name": room.title,
        "levels": [level(view, time_zone) for view in views],
    }


def level(view: LevelView, time_zone: str) -> Document:
    """One of them."""
    return {
        "position": view.position,
        "device": view.device,
        "level_db": view.level_db,
        "range_db": [view.between.low, view.between.high] if view.between else None,
        "ceiling_db": view.ceiling_db,
        "chosen": _chosen(view.chosen, time_zone),
        "until": plain(view.until),
        "until_words": on_the_clock(view.until, time_zone) if view.until else "",
        "away": view.away,
    }


def _chosen(chosen: OperatorLevel | None, time_zone: str) -> Document | None:
    if chosen is None:
        return None
    return {
        "level_db": chosen.level_db,
        "who": chosen.who,
        "at": plain(chosen.at),
        "at_words": on_the_clock(chosen.at, time_zone),
        "change": chosen.change,
    }
