"""The small venue with modes: one with a slot of its own, one without, and one in which both rooms are combined."""

from __future__ import annotations

from fleet.reconcile.scope import Scope
from fleet.services.planning import Asked
from tests.services.small_venue import FOYER, HALL, VENUE

HALL_MODES = """\
modes:
  speech: {name: Speech, slot: 6, groups: {mains: {level_db: -9}}, positions: {fill: {level_db: -10}}}
  night: {defaults: {level_db: -20}}
  combined: {slot: 7, groups: {mains: {level_db: -8}}, together_with: {foyer: combined}}
  divided: {groups: {mains: {level_db: -7}}, together_with: {foyer: quiet}}
"""
FOYER_MODES = """\
modes:
  combined: {defaults: {level_db: -9}}
  quiet: {defaults: {level_db: -30}}
"""
FILES_WITH_MODES = {
    "venue.yaml": VENUE,
    "rooms/weir-hall.yaml": HALL + HALL_MODES,
    "rooms/foyer.yaml": FOYER + FOYER_MODES,
}
EVERY_GUARD = ("rise", "half-room", "unmanaged", "live-click")


def recall(mode: str | None, room: str = "weir-hall", **narrowed: object) -> Asked:
    """The recall of a room, in a mode where one is given."""
    scope = Scope(rooms=(room,), **narrowed)  # type: ignore[arg-type]  # whatever a test narrows it by
    return Asked(kind="recall", scope=scope, modes={room: mode} if mode else {})


def store(mode: str | None, room: str = "weir-hall") -> Asked:
    """The store of a room, of a mode's contents where one is given."""
    return Asked(kind="store", scope=Scope(rooms=(room,)), modes={room: mode} if mode else {})
