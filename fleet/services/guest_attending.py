"""What is due in guest sessions: their ceilings, their ends, boxes that come back, and what became of putting back."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta

from fleet.errors import BrokerDown
from fleet.model.change import ChangeState
from fleet.model.guest import GuestSession
from fleet.reconcile.guests import Leftovers, above_ceiling, back_words, ended_words, louder_words, waiting
from fleet.services.changes import Changes
from fleet.services.guest_book import GuestBook
from fleet.services.guest_rooms import GuestRooms

AGAIN_AFTER = timedelta(seconds=30)
"""How long it waits before boxes that tell that they are back, and do not answer, are read again."""


class GuestAttending:
    """Does what is due in a session. Whoever calls sees to it that nothing else is done with the session meanwhile."""

    def __init__(self, *, book: GuestBook, rooms: GuestRooms, changes: Changes, clock: Callable[[], datetime]) -> None:
        self._book = book
        self._rooms = rooms
        self._changes = changes
        self._clock = clock
        self._not_before: dict[str, datetime] = {}

    async def attend(self, session: GuestSession) -> None:
        """Do what is due, if anything is."""
        if session.closed is not None:
            return
        if not self._rooms.there(session):
            await self.close(session, "the files, which have no such room any more")
        elif session.ended is None and self._clock() < session.until:
            await self._watch_ceiling(session)
        elif session.compared is None:
            await self.compare(session)
        elif session.change:
            await self._see_what_became(session)
        elif session.away:
            await self._see_who_is_back(session)

    async def compare(self, session: GuestSession) -> GuestSession:
        """Tell once how the room was left; where the devices cannot be reached, that is still due."""
        if session.ended is None:
            session = await self._save(replace(session, ended=session.until))
        try:
            left = await self._rooms.left(session)
        except BrokerDown:
            return session
        found = replace(session, apart=left.apart, away=left.away, not_compared=left.not_compared)
        session = self._settled(replace(found, compared=self._clock()), left)
        await self._rooms.tell(session, ended_words(session, left), left.apart, _way_out(session, left))
        return await self._save(session)

    async def close(self, session: GuestSession, by: str) -> GuestSession:
        """Nothing is offered any more."""
        return await self._save(replace(session, closed=self._clock(), closed_by=by))

    async def _watch_ceiling(self, session: GuestSession) -> None:
        """One notice for each position that is louder than it may be, for as long as it is."""
        if session.ceiling_db is None:
            return
        positions = self._rooms.positions(session)
        told = self._rooms.last_told(positions)
        unseen = {p.name for p in positions if p.device not in told}
        above = above_ceiling(positions, told, session.ceiling_db) | (unseen & set(session.above))
        if above == set(session.above):
            return
        for position in (p for p in positions if p.name in above - set(session.above)):
            level_db = told[position.device].state.output(position.output).level_db
            assert level_db is not None
            words = louder_words(session, position.name, level_db)
            session = replace(session, above=tuple(sorted({*session.above, position.name})))
            await self._rooms.tell(session, words, (position.name,), "Turn it down at the desk or at its panel.")
        await self._save(replace(session, above=tuple(sorted(above))))

    async def _see_who_is_back(self, session: GuestSession) -> None:
        """One notice once all boxes that were off are back."""
        now = self._clock()
        if now < self._not_before.get(session.id, now) or not self._rooms.all_there(session, session.away):
            return
        self._not_before[session.id] = now + AGAIN_AFTER
        try:
            left = await self._rooms.left(session)
        except BrokerDown:
            return
        if left.away:
            return
        del self._not_before[session.id]
        words = back_words(session, left)
        session = self._settled(replace(session, apart=left.apart, away=()), left)
        await self._rooms.tell(session, words, left.apart, _way_out(session, left))
        await self._save(session)

    async def _see_what_became(self, session: GuestSession) -> None:
        """A change that put the room back has ended: kept, it leaves nothing but what was left out."""
        record = await self._changes.record(session.change)
        if not record.state.ended:
            return
        session = replace(session, change="")
        if record.state is not ChangeState.KEPT:
            await self._save(session)
            return
        session = replace(session, apart=(), away=waiting(record.plan.left_out, self._rooms.positions(session)))
        if session.away:
            await self._save(session)
        else:
            await self.close(session, record.who)

    def _settled(self, session: GuestSession, left: Leftovers) -> GuestSession:
        """Closed where nothing is left to be put back."""
        return session if left.away or not left.nothing() else replace(session, closed=self._clock())

    async def _save(self, session: GuestSession) -> GuestSession:
        await self._book.save(session)
        return session


def _way_out(session: GuestSession, left: Leftovers) -> str:
    return "" if left.nothing() else f"fleet guest {session.room} --put-back"
