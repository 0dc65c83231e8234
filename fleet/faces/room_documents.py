"""The JSON documents of rooms: all of them, one position by position, and one on hold."""

from __future__ import annotations

from collections.abc import Mapping

from fleet.faces import drift_documents
from fleet.faces.diff_documents import difference, sentence
from fleet.faces.documents import Document
from fleet.faces.guest_documents import in_room
from fleet.model.difference import Comparison
from fleet.model.edge import plain
from fleet.model.guest import GuestSession
from fleet.model.hold import Hold
from fleet.model.venue import Room
from fleet.model.venue_time import on_the_clock
from fleet.reconcile.position_states import PositionState, gravest, position_states
from fleet.reconcile.room_standing import RoomStanding
from fleet.services.room_modes import RoomModes
from fleet.services.room_view import PositionView, RoomView


def rooms(
    venue_rooms: Mapping[str, Room],
    compared: Mapping[str, Comparison],
    holds: Mapping[str, Hold],
    in_modes: Mapping[str, RoomModes],
    standing: Mapping[str, RoomStanding],
    guests: Mapping[str, GuestSession],
    time_zone: str,
) -> Document:
    """Each room and whether it is as it should be, by what its devices last told."""
    return {
        "format": "fleet-rooms/1",
        "time_zone": time_zone,
        "rooms": [
            {
                "room": name,
                "name": room.title,
                "house_curve": room.house_curve,
                "positions": len(room.positions),
                "groups": {g.name: list(g.positions) for _, g in sorted(room.groups.items())},
                "coherent_sets": [g.name for _, g in sorted(room.groups.items()) if g.together],
                "same": compared[name].same(),
                "state": _state(compared[name], standing[name]),
                "words": sentence(compared[name], standing[name]),
                "since": plain(standing[name].since(compared[name])),
                "drift": [drift_documents.episode(e) for e in standing[name].episodes],
                "last_seen": plain(dict(standing[name].last_seen)),
                "muted": [plain(m) for m in standing[name].mutes],
                **_modes(in_modes[name]),
                "hold": hold(holds[name], time_zone) if name in holds else None,
                "guest": in_room(guests[name], time_zone) if name in guests else None,
            }
            for name, room in sorted(venue_rooms.items())
        ],
    }


def room(view: RoomView, standing: RoomStanding) -> Document:
    """A room by what its devices last told."""
    states = position_states(view.comparison, standing)
    return {
        "format": "fleet-room/1",
        "room": view.room,
        "name": view.title,
        "house_curve": view.house_curve or None,
        **_modes(view.modes),
        "same": view.comparison.same(),
        "state": _state(view.comparison, standing),
        "words": sentence(view.comparison, standing),
        "since": plain(standing.since(view.comparison)),
        "muted": [plain(m) for m in standing.mutes],
        "agreed": [difference(d) for d in view.comparison.agreed()],
        "positions": [_position(p, standing, states[view.room, p.position]) for p in view.positions],
    }


def hold(h: Hold, time_zone: str) -> Document:
    """A room on hold."""
    until = on_the_clock(h.until, time_zone)
    return {"format": "fleet-hold/1", **plain(h), "until_local": until, "words": f"on hold by {h.who} until {until}"}


def _modes(m: RoomModes) -> Document:
    """The mode a room is in, in words too where it has any, and those there are."""
    return {
        "mode": m.mode,
        "mode_since": plain(m.since),
        "mode_by": m.who,
        "mode_words": m.words,
        "modes": [
            {"mode": name, "name": one.title, "together_with": dict(one.together_with)}
            for name, one in sorted(m.modes.items())
        ],
    }


def _state(comparison: Comparison, standing: RoomStanding) -> str:
    """The gravest state of its positions; `unknown` where the link to all of them is lost."""
    if standing.not_known():
        return "unknown"
    return gravest(one.state for one in position_states(comparison, standing).values())


def _position(p: PositionView, standing: RoomStanding, state: PositionState) -> Document:
    episodes = [e for e in standing.episodes if p.device == e.device and f"{standing.room}/{p.position}" in e.positions]
    return {
        "position": p.position,
        "device": p.device,
        "output": p.output,
        "groups": list(p.groups),
        "life_safety": p.life_safety,
        "at_m": plain(p.at_m),
        "listen_at_m": plain(p.listen_at_m),
        "state": state.state,
        "state_words": list(state.words),
        "differences": [difference(d) for d in state.differences],
        "settings": {line.setting: {"wanted": line.wanted, "reported": line.reported} for line in p.settings},
        "last_seen": plain(standing.last_seen.get(p.device)),
        "missing_words": standing.missing_words(p.device),
        "drift": [{**drift_documents.episode(e), "since_words": standing.episode_words(e)} for e in episodes],
        "line": {**plain(p.line), **plain(p.figures)} if p.line and p.figures else None,
    }
