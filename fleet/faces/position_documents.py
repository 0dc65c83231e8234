"""The JSON document of one position."""

from __future__ import annotations

from fleet.faces.diff_documents import difference
from fleet.faces.documents import Document
from fleet.model.edge import plain
from fleet.reconcile.position_states import position_states
from fleet.reconcile.room_standing import RoomStanding
from fleet.services.position_view import PositionDetail


def position(one: PositionDetail, standing: RoomStanding) -> Document:
    """A position: settings in words, what differs, where it is, what it is called elsewhere, its device and its line.

    `whereabouts` is as seen from the listening point: negative figures lead behind it, to its left, below it.
    """
    p, view = one.position, one.view
    state = position_states(one.comparison)[p.room, p.name]
    return {
        "format": "fleet-position/1",
        "room": p.room,
        "room_name": one.title,
        "position": p.name,
        "device": _device(one, standing),
        "output": p.output,
        "groups": list(p.groups),
        "coherent": list(p.coherent),
        "role": p.role,
        "life_safety": p.life_safety,
        "ceiling_db": p.ceiling_db,
        "settings": [plain(line) for line in view.settings],
        "state": state.state,
        "state_words": list(state.words),
        "differences": [difference(d) for d in state.differences],
        "notes": [note.words for note in one.comparison.notes],
        "at_m": plain(p.at_m) if p.at_m else None,
        "whereabouts": plain(one.whereabouts) if one.whereabouts else None,
        "plan": {
            "listen_at_m": plain(one.plan.listen_at_m) if one.plan.listen_at_m else None,
            "positions": [{"position": name, "at_m": list(at)} for name, at in one.plan.positions],
        },
        "references": {name: text for name, text in plain(p.references).items() if text},
        "line": {**plain(view.line), **plain(view.figures)} if view.line and view.figures else None,
        "loudspeaker": plain(p.loudspeaker) if p.loudspeaker else None,
    }


def _device(one: PositionDetail, standing: RoomStanding) -> Document:
    record = one.record
    description = record.description if record else None
    return {
        "id": one.position.device,
        "status": one.status.value,
        "online": record is not None and record.online and record.id not in standing.silent_since,
        "serial": description.serial if description else "",
        "model": description.model if description else "",
        "firmware": description.firmware if description else "",
        "sample_rate_hz": description.sample_rate_hz if description else None,
        "edited": one.edited,
        "last_seen": plain(record.last_seen) if record else None,
        "missing_words": standing.missing_words(one.position.device),
    }
