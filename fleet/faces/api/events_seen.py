"""Which events a caller is told: an operator those of their rooms, and what is about no room at all."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from fleet.faces.api.calling import Caller
from fleet.faces.api.events import Event

ABOUT_NO_ROOM: Final = frozenset({"begin", "gap", "link"})


def seen_by(caller: Caller, event: Event) -> Event | None:
    """The event as this caller is told it; `None` where they are not."""
    if caller.role != "operator" or event.kind in ABOUT_NO_ROOM:
        return event
    about = event.data.get(event.kind, {})
    if event.kind == "device":  # one that two rooms share is each one's matter
        theirs = sorted(caller.rooms.intersection(about["rooms"]))
        told = {**event.data, "device": {**about, "rooms": theirs}}
        return replace(event, data=told) if theirs else None
    rooms = about["rooms"] if event.kind in {"change", "drift"} else [about.get("room", "")]
    return event if rooms and caller.sees(*rooms) else None
