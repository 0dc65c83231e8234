"""Rooms on hold: nothing in them is changed while a show is running."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

from fleet.errors import BadInput, Refused
from fleet.model.durations import read_seconds
from fleet.model.hold import Hold
from fleet.model.typed_times import next_moment, typed_moment
from fleet.model.venue_time import clock_time
from fleet.reconcile.scope import room_of
from fleet.services.desired import Desired
from fleet.store.protocol import Store

LONGEST = timedelta(days=14)
UNTIL = "--until"
_CLOCK = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)")


class Holds:
    """Puts rooms on hold and releases them; a hold ends by itself."""

    def __init__(self, store: Store, desired: Desired, clock: Callable[[], datetime]) -> None:
        self._store = store
        self._desired = desired
        self._clock = clock

    async def hold(self, room: str, until: str, who: str, why: str = "") -> Hold:
        """Hold a room, or hold on to it for longer or shorter.

        Raises `NotFound`, `Refused` where somebody else holds it, and `BadInput` for a time that is none, past, or more
        than 14 days away.
        """
        venue = self._desired.venue()
        now, zone = self._clock(), ZoneInfo(venue.time_zone)
        hold = Hold(room=room_of(venue, room).name, until=time_of(until, now, zone), who=who, why=why)
        held = (await self.current()).get(hold.room)
        if held is not None and held.who != who:
            raise Refused(
                f"{hold.room} is on hold by {held.who} until {clock_time(held.until, zone, now)}",
                remedy=f"`fleet release {hold.room}` ends that hold; ask {held.who} first",
            )
        await self._store.save_hold(hold)
        return hold

    async def release(self, room: str) -> Hold:
        """Release a room from the hold that is returned. Raises `NotFound`, or `Refused` where it is not on hold."""
        held = (await self.current()).get(room_of(self._desired.venue(), room).name)
        if held is None:
            raise Refused(f"{room} is not on hold")
        await self._store.drop_hold(room)
        return held

    async def current(self) -> Mapping[str, Hold]:
        """Holds that have not run out, by room."""
        now = self._clock()
        return {hold.room: hold for hold in await self._store.holds() if hold.until > now}


def time_of(text: str, now: datetime, zone: ZoneInfo) -> datetime:
    """`2h`, `90m` or `1h30m` from now, the next `23:30` on the venue's clock, or an ISO 8601 time.

    Raises `BadInput` for text that is none, for a time past or too far away, and for one that is not on the clock once.
    """
    if (clock := _CLOCK.fullmatch(text)) is not None:
        until = next_moment(time(int(clock[1]), int(clock[2])), zone, now, UNTIL)
    elif not text.endswith("s") and (seconds := read_seconds(text)) is not None:  # no hold is that short
        until = now + timedelta(seconds=seconds)
    else:
        until = typed_moment(text, zone, UNTIL, "Write 2h, 90m, 23:30 or 2026-11-25T23:30")
    if not now < until <= now + LONGEST:
        raise BadInput(f"{text} is not between now and {LONGEST.days} days from now", where=UNTIL)
    return until.astimezone(now.tzinfo)
