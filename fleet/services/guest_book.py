"""The guest book: which room has a guest until when, as it is written down."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime, timedelta

from fleet.model.guest import GuestSession
from fleet.store.protocol import Store

QUIET_AFTER = timedelta(hours=12)
"""For so long after its end what differs in a room is the matter of the offer to put it back, and is told by that."""


class GuestBook:
    """Holds the guest sessions: those that run, those whose rooms can still be put back, and the closed ones."""

    def __init__(self, store: Store, clock: Callable[[], datetime]) -> None:
        self._store = store
        self._clock = clock
        self._sessions: dict[str, GuestSession] | None = None

    async def sessions(self) -> tuple[GuestSession, ...]:
        """All sessions, first begun first."""
        return tuple(sorted((await self._read()).values(), key=lambda s: (s.began, s.id)))

    async def current(self) -> Mapping[str, GuestSession]:
        """Sessions whose time has not run out and that nobody has ended, by room."""
        now = self._clock()
        return {s.room: s for s in (await self._read()).values() if s.ended is None and now < s.until}

    async def save(self, session: GuestSession) -> None:
        """Write a session down."""
        sessions = await self._read()
        await self._store.save_standing(session.id, session)
        sessions[session.id] = session

    async def drop(self, session: GuestSession) -> None:
        """Forget a session."""
        sessions = await self._read()
        await self._store.drop_standing(GuestSession, session.id)
        sessions.pop(session.id, None)

    def blocked(self, room: str) -> str:
        """Why nothing is to be done in a room by itself, in words; empty where it may. Known once the book was read."""
        for session in (self._sessions or {}).values():
            if session.room == room and session.closed is None and session.compared is None:
                return f"{session.guest} is the guest there"
        return ""

    def quiet(self, room: str) -> str:
        """Why drift in a room is no matter now, in words; empty where it is. Known once the book was read."""
        now = self._clock()
        for session in (self._sessions or {}).values():
            ended = session.ended
            offered = session.closed is None and ended is not None and now < ended + QUIET_AFTER
            if session.room == room and offered and session.compared is not None:
                return f"{session.guest} was the guest there, and the room can be put back"
        return self.blocked(room)

    async def _read(self) -> dict[str, GuestSession]:
        if self._sessions is None:
            found = await self._store.standing(GuestSession)
            self._sessions = dict(found) if self._sessions is None else self._sessions  # read by another meanwhile
        return self._sessions
