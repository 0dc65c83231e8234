"""One room as its devices last told it: each position with what it should be, what it is, and the line behind it."""

from __future__ import annotations

from dataclasses import dataclass

from fleet.desired.taps import LineFigures, figures
from fleet.model.difference import Comparison
from fleet.model.names import Id, Name, OutputNumber
from fleet.model.passive import Line
from fleet.model.venue import Point, Room
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.scope import select
from fleet.services.desired import Desired
from fleet.services.outlook import Lookout
from fleet.services.room_modes import RoomModes, room_modes
from fleet.services.sheets import SheetLine, sheet


@dataclass(frozen=True, slots=True, kw_only=True)
class PositionView:
    """A position with its settings in words; `line` and `figures` where an amplifier's output is described."""

    position: Name
    device: Id
    output: OutputNumber
    groups: tuple[Name, ...]
    life_safety: bool
    at_m: Point | None
    listen_at_m: Point | None
    settings: tuple[SheetLine, ...]
    line: Line | None
    figures: LineFigures | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomView:
    """A room, its positions by name, and how it compares with what is desired."""

    room: Name
    title: str
    house_curve: str
    modes: RoomModes
    positions: tuple[PositionView, ...]
    comparison: Comparison


def room_view(room: str, desired: Desired, lookout: Lookout) -> RoomView:
    """A room by what its devices last told. Raises `NotFound`, or `Refused` where nothing is loaded."""
    positions = select(desired.venue(), room)
    outlook = lookout.glance({p.device for p in positions})
    found = desired.venue().rooms[room]
    return RoomView(
        room=found.name,
        title=found.title,
        house_curve=found.house_curve or "",
        modes=room_modes(found, desired.modes.get(room), desired.venue().time_zone),
        positions=positions_of(found, outlook),
        comparison=lookout.compare(outlook, positions),
    )


def positions_of(room: Room, outlook: Outlook) -> tuple[PositionView, ...]:
    """The positions of a room beside what was reported."""
    return tuple(
        PositionView(
            position=p.name,
            device=p.device,
            output=p.output,
            groups=p.groups,
            life_safety=p.life_safety,
            at_m=p.at_m,
            listen_at_m=p.listen_at_m,
            settings=sheet(p, outlook),
            line=p.line,
            figures=figures(p.line) if p.line else None,
        )
        for _, p in sorted(room.positions.items())
    )
