"""Rooms whose mode is no longer in the files: they are in `house` from then on, and a notice says so once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from typing import Final

from fleet.model.days import HOUSE_MODE
from fleet.model.standing import RoomMode
from fleet.services.desired import Desired
from fleet.services.notices import Notices
from fleet.store.protocol import Store

BY_FILES: Final = "the venue's files"


class LostModes:
    """Lets `house` stand for a room whose mode a version of the files has taken away."""

    def __init__(self, *, store: Store, desired: Desired, notices: Notices, clock: Callable[[], datetime]) -> None:
        self._store = store
        self._desired = desired
        self._notices = notices
        self._clock = clock

    async def tick(self) -> None:
        """Look whether every room still has the mode it is in."""
        if self._desired.version is None:
            return
        rooms = self._desired.version.venue.rooms
        for room, standing in self._desired.modes.items():
            if room in rooms and standing.mode not in (HOUSE_MODE, *rooms[room].modes):
                await self._lose(room, standing.mode)

    async def _lose(self, room: str, mode: str) -> None:
        value = RoomMode(room=room, mode=HOUSE_MODE, since=self._clock(), who=BY_FILES)
        words = f"{room} was in mode {mode}, which its file no longer has: it counts as in no mode now"
        notice = self._notices.about("mode", words, room=room)
        await self._notices.give(replace(notice, way_out=f"fleet recall {room}"), beside={room: value})
        self._desired.modes = {**self._desired.modes, room: value}
