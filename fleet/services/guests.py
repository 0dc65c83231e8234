"""Guest sessions: a room belongs to somebody else for a time; afterwards it is offered to bring it back."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from fleet.errors import BadInput, Moved, Refused
from fleet.model.change import ChangeRecord, check_trial_length
from fleet.model.guest import GuestSession
from fleet.model.plan import Plan, check_guard_names
from fleet.model.venue_time import on_the_clock
from fleet.reconcile.guests import above_ceiling
from fleet.reconcile.scope import room_of
from fleet.services.changes import Changes
from fleet.services.desired import Desired
from fleet.services.guest_attending import GuestAttending
from fleet.services.guest_book import GuestBook
from fleet.services.guest_rooms import GuestRooms
from fleet.services.holds import time_of
from fleet.services.in_use import InUse
from fleet.services.outlook import Lookout
from fleet.services.snapshots import Snapshots

LISTED_FOR = timedelta(days=30)
LOWEST_CEILING_DB, HIGHEST_CEILING_DB = -100.0, 24.0


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedGuest:
    """A guest session to begin: who is the guest, until when, at most how loud, and who asks."""

    room: str
    guest: str
    until: str
    who: str
    ceiling_db: float | None = None
    why: str = ""


class Guests:
    """Begins guest sessions, ends them, and puts rooms back."""

    def __init__(  # noqa: PLR0913 - one collaborator each for all that a guest's stay begins and ends with
        self,
        *,
        book: GuestBook,
        rooms: GuestRooms,
        desired: Desired,
        lookout: Lookout,
        snapshots: Snapshots,
        changes: Changes,
        in_use: InUse,
        clock: Callable[[], datetime],
        new_id: Callable[[], str],
    ) -> None:
        self._book = book
        self._in_use = in_use
        self._rooms = rooms
        self._desired = desired
        self._lookout = lookout
        self._snapshots = snapshots
        self._changes = changes
        self._clock = clock
        self._new_id = new_id
        self._attending = GuestAttending(book=book, rooms=rooms, changes=changes, clock=clock)
        self._one_at_a_time = asyncio.Lock()

    def blocked(self, room: str) -> str:
        """Why nothing is to be done in a room by itself now, in words; empty where it may."""
        return self._book.blocked(room)

    def quiet(self, room: str) -> str:
        """Why drift in a room is not told now, in words; empty where it is."""
        return self._book.quiet(room)

    async def sessions(self) -> tuple[GuestSession, ...]:
        """Sessions that are not closed, and those closed within 30 days; first begun first."""
        now = self._clock()
        return tuple(s for s in await self._book.sessions() if s.closed is None or now < s.closed + LISTED_FOR)

    async def current(self) -> Mapping[str, GuestSession]:
        """Sessions that run, by room."""
        return await self._book.current()

    async def begin(self, asked: AskedGuest) -> GuestSession:
        """Take a snapshot and let a guest have the room.

        Raises `NotFound`, `BadInput` for a time or a ceiling that will not do, `BrokerDown`, and `Refused` where the
        room has a guest or can still be put back after one, and where a walk or a change is on in it: what it is
        doing would be taken for how the room was before.
        """
        venue, now = self._desired.venue(), self._clock()
        room = room_of(venue, asked.room)
        until = time_of(asked.until, now, ZoneInfo(venue.time_zone))
        if not asked.guest.strip():
            raise BadInput("a guest has a name", where="--who")
        _check_ceiling(asked.ceiling_db)
        async with self._one_at_a_time:
            await self._refuse_second(room.name)
            positions = [p for p in room.positions.values() if not p.life_safety]
            await self._in_use.refuse_at_work([room.name], {p.device for p in positions})
            outlook = await self._lookout.look({p.device for p in positions})
            snapshot = await self._snapshots.take(asked.who, f"before {asked.guest} in {room.name}")
            held = {r.state.id: r for r in snapshot.body.devices}
            ceiling_db = math.inf if asked.ceiling_db is None else asked.ceiling_db
            session = GuestSession(
                id=self._new_id(),
                room=room.name,
                guest=asked.guest,
                who=asked.who,
                why=asked.why,
                began=now,
                until=until,
                ceiling_db=asked.ceiling_db,
                snapshot=snapshot.id,
                mode=self._rooms.mode_of(room.name),
                levels={key: level for key, level in outlook.levels.items() if level.room == room.name},
                unread=tuple(sorted(p.name for p in positions if p.device not in held)),
                above=tuple(sorted(above_ceiling(positions, held, ceiling_db))),
            )
            await self._book.save(session)
        return session

    async def end(self, room: str, who: str) -> GuestSession:
        """End the session of a room now; where one has ended, leave the room as it is and offer nothing any more.

        Raises `NotFound`, and `Refused` where the room has no guest and nothing to be put back.
        """
        name = room_of(self._desired.venue(), room).name
        async with self._one_at_a_time:
            session = await self._open(name)
            if session.compared is not None:
                return await self._attending.close(session, who)
            if session.ended is None:
                session = replace(session, ended=self._clock(), ended_by=who)
                await self._book.save(session)
            return await self._attending.compare(session)

    async def plan_put_back(self, room: str) -> Plan:
        """What would bring a room back to how it was before its guest; where nothing would, the session is closed.

        Raises `NotFound`, `BrokerDown`, and `Refused` where there is nothing to bring back or it still has its guest.
        """
        async with self._one_at_a_time:
            session = await self._over(room_of(self._desired.venue(), room).name)
            plan = await self._rooms.plan(session)
            if plan.empty() and not plan.left_out:
                await self._attending.close(session, "")
        return plan

    async def put_back(
        self,
        room: str,
        *,
        digest: str,
        who: str,
        why: str,
        allow: Collection[str] = (),
        keep_within_s: float | None = None,
    ) -> ChangeRecord:
        """Begin the change whose plan was shown with this digest. Raises as `plan_put_back` and `Changes.begin`."""
        async with self._one_at_a_time:
            session = await self._over(room_of(self._desired.venue(), room).name)
            plan = await self._rooms.plan(session)
            if plan.digest != digest:
                raise Moved("the room moved since the plan was shown", remedy="Look at the new plan.")
            why = why or f"guest session {session.id} of {session.guest}"
            if keep_within_s is not None:
                check_trial_length(keep_within_s)
            check_guard_names(allow)
            record = await self._changes.begin(plan, who=who, why=why, allow=allow, keep_within_s=keep_within_s)
            now = self._clock()
            ended, compared = session.ended or min(session.until, now), session.compared or now
            await self._book.save(replace(session, ended=ended, compared=compared, change=record.id))
        return record

    async def tick(self) -> None:
        """Do what is due in every session that is not closed."""
        for session in await self._book.sessions():
            if session.closed is None and self._desired.version is not None:
                async with self._one_at_a_time:
                    await self._attending.attend(await self._as_it_is(session))

    async def _as_it_is(self, session: GuestSession) -> GuestSession:
        return next(s for s in await self._book.sessions() if s.id == session.id)

    async def _open(self, room: str) -> GuestSession:
        """The session of a room that is not closed. Raises `Refused`."""
        for session in await self._book.sessions():
            if session.room == room and session.closed is None:
                return session
        raise Refused(f"{room} has no guest, and nothing to be put back after one", remedy="`fleet guest` lists them.")

    async def _over(self, room: str) -> GuestSession:
        """The session of a room whose guest has left. Raises `Refused`."""
        session = await self._open(room)
        if session.ended is None and self._clock() < session.until:
            raise Refused(self._has_guest(session), remedy=f"`fleet guest {room} --end` ends it first.")
        return session

    async def _refuse_second(self, room: str) -> None:
        for other in await self._book.sessions():
            if other.room != room or other.closed is not None:
                continue
            if other.compared is None:
                raise Refused(self._has_guest(other), remedy=f"`fleet guest {room} --end` ends that.")
            raise Refused(
                f"{room} can still be put back to how it was before {other.guest}",
                remedy=f"`fleet guest {room} --put-back` does it, `fleet guest {room} --end` leaves it as it is.",
            )

    def _has_guest(self, session: GuestSession) -> str:
        until = on_the_clock(session.until, self._desired.venue().time_zone)
        return f"{session.guest} is the guest in {session.room} until {until}"


def _check_ceiling(ceiling_db: float | None) -> None:
    if ceiling_db is not None and not LOWEST_CEILING_DB <= ceiling_db <= HIGHEST_CEILING_DB:
        remedy = "Give it as the boxes have their levels: -6"
        raise BadInput(f"{ceiling_db:g} dB is no ceiling", where="--ceiling-db", remedy=remedy)
