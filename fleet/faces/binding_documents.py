"""The JSON documents of bindings and swaps."""

from __future__ import annotations

from collections.abc import Iterable

from fleet.faces.documents import Document
from fleet.model.edge import plain
from fleet.model.swap import Swap
from fleet.services.binding import Bound
from fleet.services.swap_asked import Prospect


def bound(one: Bound) -> Document:
    """A binding in force. `folder` is where the daemon wrote the files, `null` where they are in the database alone."""
    edited = one.edited
    return {
        "format": "fleet-binding/1",
        "room": one.position.room,
        "position": one.position.name,
        "device": one.position.device,
        "output": one.position.output,
        "before": {"device": one.before.device, "output": one.before.output},
        "files": dict(edited.files),
        "version": edited.number,
        "folder": str(edited.folder) if edited.folder else None,
    }


def prospect(one: Prospect) -> Document:
    """A swap as it would be done."""
    return {
        "format": "fleet-swap-plan/1",
        "positions": [f"{room}/{position}" for room, position in one.positions],
        "old": {"device": one.old, "serial": one.old_serial},
        "new": {"device": one.new, "serial": one.new_serial},
        "losses": [plain(loss) for loss in one.losses],
        "notes": list(one.notes),
        "writes": {place: dict(members) for place, members in one.writes.items()},
        "undoes": one.undoes,
        "digest": one.digest,
    }


def swap(one: Swap) -> Document:
    """A swap as it stands."""
    return {"format": "fleet-swap/1", **_swap(one)}


def swaps(every: Iterable[Swap]) -> Document:
    """All swaps, last begun first."""
    return {"format": "fleet-swaps/1", "swaps": [_swap(one) for one in every]}


def _swap(one: Swap) -> Document:
    data: Document = plain(one)
    return {**data, "positions": list(one.places), "has_ended": one.state.ended}
