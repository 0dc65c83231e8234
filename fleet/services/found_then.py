"""What a snapshot found of a room, by the devices that are in its places today."""

from __future__ import annotations

from fleet.desired.load import load
from fleet.errors import BadFiles
from fleet.model.snapshot import Snapshot
from fleet.model.state import Reported
from fleet.model.venue import Room, Venue
from fleet.reconcile.as_of import as_bound
from fleet.store.protocol import Store


async def found_then(store: Store, snapshot: Snapshot, room: Room) -> dict[str, Reported]:
    """What each device of a room reported then; a box in the place of another gets what that one reported."""
    return as_bound(room, await _venue_of(store, snapshot), snapshot.body.devices)


async def _venue_of(store: Store, snapshot: Snapshot) -> Venue | None:
    """The venue in force when a snapshot was taken, where that version is still known and can be read."""
    stored = await store.version(snapshot.body.desired_sha256)
    try:
        return load(stored.files).venue if stored is not None else None
    except BadFiles:
        return None
