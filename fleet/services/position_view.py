"""One position as its device last told it: what it should be and is, what differs, where it hangs, its line."""

from __future__ import annotations

from dataclasses import dataclass

from fleet.model.difference import Comparison
from fleet.model.inventory import DeviceRecord, DeviceStatus
from fleet.model.names import Name
from fleet.model.venue import Point, Position, Room
from fleet.reconcile.edited import edited
from fleet.reconcile.scope import select
from fleet.reconcile.whereabouts import Whereabouts, listening_point, whereabouts
from fleet.services.desired import Desired
from fleet.services.inventory import Inventory
from fleet.services.outlook import Lookout
from fleet.services.room_view import PositionView, positions_of


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanView:
    """Where everything of a room is that has coordinates: x, y, z in m."""

    listen_at_m: Point | None
    positions: tuple[tuple[Name, Point], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PositionDetail:
    """A position in full; `record` is what the inventory knows of its device, if that was ever seen.

    `edited` is `None` where it cannot be told.
    """

    position: Position
    title: str
    view: PositionView
    comparison: Comparison
    whereabouts: Whereabouts | None
    plan: PlanView
    status: DeviceStatus
    record: DeviceRecord | None
    edited: bool | None


def position_view(room: str, position: str, desired: Desired, inventory: Inventory, lookout: Lookout) -> PositionDetail:
    """A position by what its device last told. Raises `NotFound`, or `Refused` where nothing is loaded."""
    (one,) = select(desired.venue(), room, position=position)
    in_room = desired.venue().rooms[room]
    outlook = lookout.glance({one.device})
    (view,) = (v for v in positions_of(in_room, outlook) if v.position == one.name)
    reported = outlook.reported.get(one.device)
    return PositionDetail(
        position=one,
        title=in_room.title,
        view=view,
        comparison=lookout.compare(outlook, [one]),
        whereabouts=whereabouts(in_room, one),
        plan=_plan(in_room, one),
        status=inventory.statuses(desired.bound())[one.device],
        record=next((r for r in inventory.records() if r.id == one.device), None),
        edited=edited(reported) if reported else None,
    )


def _plan(room: Room, position: Position) -> PlanView:
    placed = tuple((p.name, p.at_m) for _, p in sorted(room.positions.items()) if p.at_m is not None)
    return PlanView(listen_at_m=listening_point(room, position), positions=placed)
