"""The modes of a room, and the one it is in: since when, and by whom."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from fleet.model.days import HOUSE_MODE
from fleet.model.names import Id, Name
from fleet.model.standing import RoomMode
from fleet.model.venue import Mode, Room
from fleet.model.venue_time import on_the_clock


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomModes:
    """The mode a room is in, and the modes there are by name.

    `since` and `who` are known only of a room that was ever brought into a mode, this one or another before `house`;
    `change` is the change that did it.
    """

    mode: Name = HOUSE_MODE
    title: str = ""
    since: datetime | None = None
    who: str = ""
    change: Id = ""
    modes: Mapping[Name, Mode] = field(default_factory=dict)
    words: str = ""


def room_modes(room: Room, standing: RoomMode | None, time_zone: str) -> RoomModes:
    """The modes of a room that is in the mode which stands; all is empty for a room that has none."""
    where = f"in no mode ({HOUSE_MODE})" if room.mode == HOUSE_MODE else f"in mode {room.mode}"
    if not room.modes:
        return RoomModes()
    if standing is None or standing.mode != room.mode:
        return RoomModes(mode=room.mode, modes=room.modes, words=where)
    title = room.modes[room.mode].title if room.mode in room.modes else ""
    return RoomModes(
        mode=room.mode,
        title=title,
        since=standing.since,
        who=standing.who,
        change=standing.change,
        modes=room.modes,
        words=f"{where} since {on_the_clock(standing.since, time_zone)}, by {standing.who}",
    )
