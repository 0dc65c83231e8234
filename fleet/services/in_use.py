"""Rooms that are in use, so that nothing changes them by itself: on hold, with a guest, being walked, in a change."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime

from fleet.errors import Refused
from fleet.model.guest import GuestSession
from fleet.model.listing import listed
from fleet.model.venue_time import on_the_clock
from fleet.model.walk import WalkState
from fleet.services.changes import Changes
from fleet.services.desired import Desired
from fleet.services.guest_book import GuestBook
from fleet.services.holds import Holds
from fleet.services.walking import Walking


@dataclass(frozen=True, slots=True, kw_only=True)
class Use:
    """What speaks against changing rooms by themselves, as a sentence without its end.

    `lasts` where the same words tell of the same matter, however much later they are said again.
    """

    words: str
    lasts: bool = True


class InUse:
    """Says why rooms are to be left alone."""

    def __init__(
        self,
        *,
        desired: Desired,
        holds: Holds,
        guest_book: GuestBook,
        walking: Walking,
        changes: Changes,
    ) -> None:
        self._desired = desired
        self._holds = holds
        self._guest_book = guest_book
        self._walking = walking
        self._changes = changes

    async def why(self, rooms: Collection[str], devices: Collection[str]) -> Use | None:
        """What speaks against changing these rooms and their devices; `None` where nothing does."""
        for room in sorted(rooms):
            if (use := await self.blocked(room)) is not None:
                return use
        return self._changing(devices)

    async def blocked(self, room: str) -> Use | None:
        """What people do in one room that speaks against changing it."""
        if (hold := (await self._holds.current()).get(room)) is not None:
            return Use(words=f"{room} is on hold by {hold.who} until {self._told(hold.until)}")
        if (session := (await self._guest_book.current()).get(room)) is not None:
            return Use(words=self._has_guest(session))
        return await self._walked(room)

    async def refuse_at_work(self, rooms: Collection[str], devices: Collection[str]) -> None:
        """Raise `Refused`, with the way out, where this tool is at work in rooms: a walk, or a change of a device."""
        for room in sorted(rooms):
            if (walked := await self._walked(room)) is not None:
                remedy = f"End the walk first; `fleet walk {room} --continue` takes it over."
                raise Refused(walked.words, remedy=remedy)
        self._changes.check_free(devices)

    async def refuse_passing(self, rooms: Collection[str], devices: Collection[str]) -> None:
        """Raise `Refused` where what devices report is not to stay: this tool is at work, or it is a guest's."""
        for room in sorted(rooms):
            if (session := (await self._guest_book.current()).get(room)) is not None:
                raise Refused(
                    f"{self._has_guest(session)}: what its devices report is the guest's",
                    guards=("guest",),
                    remedy=f"Wait until it has left, or end that: `fleet guest {room} --end`.",
                )
        await self.refuse_at_work(rooms, devices)

    async def _walked(self, room: str) -> Use | None:
        for walk in await self._walking.walks():
            if walk.room == room and walk.state is WalkState.WALKING:
                return Use(words=f"{walk.who} is walking {room}", lasts=False)
        return None

    def _changing(self, devices: Collection[str]) -> Use | None:
        busy = sorted(self._changes.devices_in_change() & set(devices))
        return Use(words=f"a change is running on {listed(busy)}", lasts=False) if busy else None

    def _has_guest(self, session: GuestSession) -> str:
        return f"{session.room} has a guest, {session.guest}, until {self._told(session.until)}"

    def _told(self, at: datetime) -> str:
        return on_the_clock(at, self._desired.in_force().venue.time_zone)
