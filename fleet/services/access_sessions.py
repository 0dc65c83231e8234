"""Sessions: a browser that showed a token once goes on with a cookie, until it is idle, or the token is no good."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import secrets
from collections.abc import Awaitable, Callable
from dataclasses import replace
from datetime import datetime
from typing import Final

from fleet.errors import NotFound, StoreTrouble
from fleet.model.access import AccessSession, AccessToken, sha256_of_secret
from fleet.services.access import RANDOM_BYTES, WRITTEN_EVERY, Access
from fleet.store.protocol import Store

log = logging.getLogger(__name__)

MOST_OF_A_TOKEN: Final = 50
"""More browsers than that are not behind one token; the one that was idle longest is signed out."""
LOOKED_AT_EVERY_S: Final = 30.0


class AccessSessions:
    """Keeps the sessions."""

    def __init__(self, store: Store, access: Access, clock: Callable[[], datetime]) -> None:
        self._store = store
        self._access = access
        self._clock = clock
        self._sessions: dict[str, AccessSession] | None = None
        self._written: dict[str, datetime] = {}
        self._news = asyncio.Event()
        access.on_revoked(self._wake)

    async def begin(self, token: AccessToken, source: str) -> str:
        """A session of whoever showed this token; its secret."""
        secret, now = secrets.token_urlsafe(RANDOM_BYTES), self._clock()
        session = AccessSession(
            sha256=sha256_of_secret(secret), token=token.id, began=now, last_used=now, source=source
        )
        sessions = await self._read()
        await self._drop(*[s for s in sessions.values() if now >= s.ends()])
        others = sorted((s for s in sessions.values() if s.token == token.id), key=lambda s: s.last_used)
        await self._drop(*others[: max(0, len(others) - MOST_OF_A_TOKEN + 1)])
        await self._store.save_standing(session.sha256, session)
        sessions[session.sha256] = session
        return secret

    async def of(self, secret: str) -> tuple[AccessSession, AccessToken] | None:
        """The session with this secret and its token, which both are good; it was used just now."""
        session = (await self._read()).get(sha256_of_secret(secret))
        if session is None:
            return None
        now = self._clock()
        try:
            token = await self._access.token(session.token)
        except NotFound:
            token = None
        if token is None or token.state(now) != "good" or now >= session.ends():
            await self._drop(session)
            return None
        await self._used(session, now)
        await self._access.used(token)
        return session, token

    async def end(self, secret: str) -> None:
        """End the session with this secret, where there is one."""
        session = (await self._read()).get(sha256_of_secret(secret))
        if session is not None:
            await self._drop(session)
            self._wake()

    async def good(self) -> tuple[tuple[AccessSession, AccessToken], ...]:
        """Every session that is not over, with its token; who was there last first."""
        now, tokens = self._clock(), {token.id: token for token in await self._access.tokens()}
        found = [
            (session, token)
            for session in (await self._read()).values()
            if (token := tokens.get(session.token)) is not None and token.state(now) == "good" and now < session.ends()
        ]
        return tuple(sorted(found, key=lambda one: (one[0].last_used, one[0].began), reverse=True))

    async def end_all(self, *, token: str = "", but: str = "") -> int:
        """End every session, or those of one token, save the one with the secret `but`; how many these were."""
        kept = sha256_of_secret(but)
        ended = [s for s, of in await self.good() if token in {"", of.id} and s.sha256 != kept]
        await self._drop(*ended)
        self._wake()
        return len(ended)

    async def over(self, good: Callable[[], Awaitable[bool]]) -> None:
        """Wait until `good` says no: it is asked after each sign-out and revocation, and now and then."""
        news = self._news
        while await good():
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(LOOKED_AT_EVERY_S):
                    await news.wait()
            news = self._news

    async def _used(self, session: AccessSession, now: datetime) -> None:
        sessions = await self._read()
        if session.sha256 not in sessions:
            return
        current = replace(session, last_used=now)
        sessions[session.sha256] = current
        if now < self._written.get(session.sha256, session.began) + WRITTEN_EVERY:
            return
        self._written[session.sha256] = now
        try:
            await self._store.save_standing(session.sha256, current)
        except StoreTrouble as error:
            log.warning("that a session is used is not written down: %s", error)
        if session.sha256 not in sessions:  # it ended meanwhile, and must not come back
            await self._store.drop_standing(AccessSession, session.sha256)

    async def _drop(self, *ended: AccessSession) -> None:
        sessions = await self._read()
        for session in ended:
            sessions.pop(session.sha256, None)
            self._written.pop(session.sha256, None)
            try:
                await self._store.drop_standing(AccessSession, session.sha256)
            except StoreTrouble as error:
                log.warning("an ended session is still written down: %s", error)

    async def _read(self) -> dict[str, AccessSession]:
        if self._sessions is None:
            found = dict(await self._store.standing(AccessSession))
            if self._sessions is None:  # not read by another meanwhile
                self._sessions = found
        return self._sessions

    def _wake(self) -> None:
        news, self._news = self._news, asyncio.Event()
        news.set()
