"""Access: tokens are made, listed, revoked, and checked when somebody calls with one."""

from __future__ import annotations

import asyncio
import logging
import secrets
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

from fleet.errors import BadInput, NotFound, Refused, StoreTrouble
from fleet.model.access import (
    PREFIX,
    USUAL_LIFE,
    AccessToken,
    Role,
    TokenKind,
    checked_life,
    checked_name,
    sha256_of_secret,
)
from fleet.model.audit import Act
from fleet.model.names import shown
from fleet.reconcile.scope import room_of
from fleet.services.audit import Audit
from fleet.services.desired import Desired
from fleet.services.sign_in_attempts import SignInAttempts, key_of_source
from fleet.store.protocol import Store

log = logging.getLogger(__name__)

RANDOM_BYTES: Final = 32
WRITTEN_EVERY: Final = timedelta(minutes=1)
"""When somebody was there last is written down no more often."""
NOBODY: Final = "nobody known"


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedToken:
    """A token to make. `rooms` are an operator's, who has to have some."""

    name: str
    role: Role
    rooms: Sequence[str] = ()
    kind: TokenKind = "token"
    life: timedelta = USUAL_LIFE


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """What came of a token that was shown: the token where it is good, else perhaps a wait before the next try."""

    token: AccessToken | None = None
    wait: timedelta = timedelta(0)


class Access:
    """Keeps the tokens. Whether a wrong one is unknown, expired or revoked is for the log, not for who showed it."""

    def __init__(
        self,
        *,
        store: Store,
        desired: Desired,
        audit: Audit,
        attempts: SignInAttempts,
        clock: Callable[[], datetime],
        new_id: Callable[[], str],
    ) -> None:
        self._store = store
        self._desired = desired
        self._audit = audit
        self._attempts = attempts
        self._clock = clock
        self._new_id = new_id
        self._tokens: dict[str, AccessToken] | None = None
        self._by_hash: dict[str, str] = {}
        self._written: dict[str, datetime] = {}
        self._writing = asyncio.Lock()
        self._on_revoked: list[Callable[[], None]] = []

    def on_revoked(self, listener: Callable[[], None]) -> None:
        """Tell this listener whenever a token was revoked."""
        self._on_revoked.append(listener)

    async def make(self, asked: AskedToken, who: str) -> tuple[AccessToken, str]:
        """A new token and its secret, which nobody can be told again.

        Raises `BadInput`, `NotFound` for a room that is not there, `Refused` where the name is taken.
        """
        name, rooms = checked_name(asked.name), tuple(sorted(set(asked.rooms)))
        if bool(rooms) != (asked.role == "operator"):
            what = "an operator has rooms: name them" if not rooms else f"an {asked.role} has every room: name none"
            raise BadInput(what, where="--rooms")
        for room in rooms:
            room_of(self._desired.venue(), room)
        life = checked_life(asked.life)
        secret = PREFIX + secrets.token_urlsafe(RANDOM_BYTES)
        async with self._writing:
            now, tokens = self._clock(), await self._read()
            if any(t.name.casefold() == name.casefold() and t.state(now) == "good" for t in tokens.values()):
                raise Refused(
                    f"{name} has a token already: the journal could not tell them apart",
                    remedy="Take another name, or revoke that one: `fleet access list`.",
                )
            token = AccessToken(
                id=self._new_id(),
                name=name,
                role=asked.role,
                rooms=rooms,
                kind=asked.kind,
                sha256=sha256_of_secret(secret),
                made_at=now,
                made_by=who,
                expires=now + life,
            )
            await self._save(token)
        return token, secret

    async def tokens(self) -> tuple[AccessToken, ...]:
        """All tokens, first made first."""
        return tuple(sorted((await self._read()).values(), key=lambda t: (t.made_at, t.id)))

    async def token(self, token: str) -> AccessToken:
        """The token with this id. Raises `NotFound`."""
        tokens = await self._read()
        if token not in tokens:
            raise NotFound(f"no token goes by {shown(token)!r}", remedy="`fleet access list` lists them.")
        return tokens[token]

    async def still_good(self, token: str) -> bool:
        """Whether the token with this id opens something."""
        found = (await self._read()).get(token)
        return found is not None and found.state(self._clock()) == "good"

    async def good(self) -> bool:
        """Whether there is any token that opens something."""
        now = self._clock()
        return any(token.state(now) == "good" for token in (await self._read()).values())

    async def revoke(self, token: str, who: str) -> AccessToken:
        """Let a token, and whatever was begun with it, open nothing from now on. Raises `NotFound`."""
        async with self._writing:
            found = await self.token(token)
            if found.revoked_at is None:
                found = replace(found, revoked_at=self._clock(), revoked_by=who)
                await self._save(found)
        for listener in self._on_revoked:
            listener()
        return found

    def wait(self, source: str) -> timedelta:
        """For how long nothing that this source shows is looked at."""
        return self._attempts.wait(key_of_source(source))

    async def check(self, secret: str, source: str) -> Checked:
        """Who has this secret. A failure is counted, and written down unless whoever fails is waiting already."""
        tokens = await self._read()
        token = tokens.get(self._by_hash.get(sha256_of_secret(secret), ""))
        keys = [key_of_source(source), *([f"token {token.id}"] if token is not None else [])]
        state = "unknown" if token is None else token.state(self._clock())
        if token is not None and state == "good" and not self.wait(source):
            await self.used(token)
            return Checked(token=token)
        if wait := self._attempts.wait(*keys):
            return Checked(wait=wait)
        self.failed(token, f"the token is {state}", source, keys)
        return Checked()

    def failed(self, token: AccessToken | None, why: str, source: str, keys: Sequence[str] = ()) -> None:
        """Count a failure and write it down."""
        wait = self._attempts.failed(*(keys or [key_of_source(source)]))
        waits = f"; it waits {wait.total_seconds():.0f} s" if wait else ""
        name, role = (token.name, token.role) if token is not None else (NOBODY, NOBODY)
        log.warning("not let in from %s: %s (%s)%s", shown(source), why, shown(name), waits)
        about = token.id if token is not None else ""
        self._audit.note(
            Act(who=name, role=role, what="sign-in", about=about, source=source, result=f"refused: {why}{waits}")
        )

    async def used(self, token: AccessToken) -> None:
        """Somebody was there with this token."""
        now = self._clock()
        if now < self._written.get(token.id, token.last_used or token.made_at - WRITTEN_EVERY) + WRITTEN_EVERY:
            return
        self._written[token.id] = now
        async with self._writing:
            current = await self.token(token.id)  # which may have been revoked meanwhile
            try:
                await self._save(replace(current, last_used=now))
            except StoreTrouble as error:
                log.warning("when %s was used is not written down: %s", token.id, error)

    async def _save(self, token: AccessToken) -> None:
        tokens = await self._read()
        await self._store.save_standing(token.id, token)
        tokens[token.id] = token
        self._by_hash[token.sha256] = token.id

    async def _read(self) -> dict[str, AccessToken]:
        if self._tokens is None:
            found = dict(await self._store.standing(AccessToken))
            if self._tokens is None:  # not read by another meanwhile
                self._tokens = found
                self._by_hash = {token.sha256: token.id for token in found.values()}
        return self._tokens
