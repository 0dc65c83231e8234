"""The JSON documents of guest sessions."""

from __future__ import annotations

from collections.abc import Iterable

from fleet.faces.documents import Document
from fleet.model.edge import plain
from fleet.model.guest import GuestSession
from fleet.model.venue_time import on_the_clock


def session(s: GuestSession, time_zone: str) -> Document:
    """One session."""
    return {"format": "fleet-guest/1", **_session(s, time_zone)}


def sessions(listed: Iterable[GuestSession], time_zone: str) -> Document:
    """Sessions, first begun first."""
    return {"format": "fleet-guests/1", "sessions": [_session(s, time_zone) for s in listed]}


def in_room(s: GuestSession, time_zone: str) -> Document:
    """The guest of a room, for the list of rooms."""
    return {
        "guest": s.guest,
        "until": plain(s.until),
        "words": f"guest {s.guest} until {on_the_clock(s.until, time_zone)}",
    }


def _session(s: GuestSession, time_zone: str) -> Document:
    return {
        "id": s.id,
        "room": s.room,
        "state": s.state,
        "guest": s.guest,
        "who": s.who,
        "why": s.why,
        "began": plain(s.began),
        "until": plain(s.until),
        "until_local": on_the_clock(s.until, time_zone),
        "ceiling_db": s.ceiling_db,
        "snapshot": s.snapshot,
        "mode": s.mode,
        "unread": list(s.unread),
        "above_ceiling": list(s.above),
        "ended": plain(s.ended),
        "ended_by": s.ended_by,
        "compared": plain(s.compared),
        "apart": list(s.apart),
        "away": list(s.away),
        "not_compared": list(s.not_compared),
        "change": s.change,
        "closed": plain(s.closed),
        "closed_by": s.closed_by,
    }
