"""The JSON documents of rounds and of taking over; each says its format and the format's number."""

from __future__ import annotations

from collections.abc import Iterable

from fleet.faces.change_documents import plan
from fleet.faces.documents import Document
from fleet.model.edge import plain
from fleet.model.round import RoomLook, RoomResult, Round, RoundKind
from fleet.reconcile.rounds import counted
from fleet.services.takeover import Epochs


def round_plan(kind: RoundKind, looks: Iterable[RoomLook]) -> Document:
    """What a round would do, room by room; a room without a plan has the reason in `refused`."""
    rooms = list(looks)
    return {
        "format": "fleet-round-plan/1",
        "kind": kind,
        "empty": all(look.plan is not None and look.plan.empty() for look in rooms),
        "rooms": [
            {
                "room": look.room,
                "plan": plan(look.plan) if look.plan else None,
                "refused": _room(look.refused) if look.refused else None,
            }
            for look in rooms
        ],
    }


def round_of(one: Round) -> Document:
    """A round as it stands; `counted` names devices that failed, were unreachable or were late."""
    return {
        "format": "fleet-round/1",
        "id": one.id,
        "kind": one.kind,
        "who": one.who,
        "why": one.why,
        "started_at": plain(one.started),
        "ended": one.ended is not None,
        "ended_at": plain(one.ended),
        "stop_after": one.stop_after,
        "stopped": one.stopped,
        "all_done": one.all_done,
        "counted": sorted(counted(one.rooms)),
        "rooms": [_room(result) for result in one.rooms],
    }


def epochs(found: Epochs, *, taken: bool) -> Document:
    """The database's epoch and what devices know; `taken` where it was raised to `epoch_wanted` by this request."""
    return {
        "format": "fleet-take-over/1",
        "epoch": found.epoch,
        "epoch_wanted": found.wanted,
        "taken": taken,
        "answered": found.answered,
        "above": dict(found.above),
        "unsure": dict(found.unsure),
    }


def _room(result: RoomResult) -> Document:
    return {
        "room": result.room,
        "state": result.state.value,
        "words": result.words,
        "change": result.change,
        "devices": [{"device": device, "words": words} for device, words in sorted(result.counted.items())],
    }
