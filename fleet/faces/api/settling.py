"""Settling who calls: nothing of the API is reached but by a caller who may. See `calling` for what they rely on."""

from __future__ import annotations

import asyncio
import contextlib
import secrets
from collections import Counter
from collections.abc import Mapping
from typing import Any, Final
from urllib.parse import parse_qs

from fastapi.responses import JSONResponse
from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Receive, Scope, Send

from fleet.errors import NotFound
from fleet.faces.api.bounded import largest_body
from fleet.faces.api.calling import (
    COOKIE,
    Caller,
    caller_with,
    csrf_of,
    not_signed_in,
    session_secret_of,
    source_of,
    told_to_wait,
)
from fleet.faces.api.origins import is_loopback, ours
from fleet.faces.api.problems import problem
from fleet.faces.api.refusals import Refusals
from fleet.faces.api.rereading import TooLarge, again, named_anew, read
from fleet.faces.api.rules import STREAM, Ruled, methods_of, rule_of, under_rules, why_not_rooms
from fleet.services.access import Access
from fleet.services.access_sessions import AccessSessions
from fleet.services.changes import Changes
from fleet.tasks import end

CSRF: Final = "fleet-csrf"
LOOKING: Final = frozenset({"GET", "HEAD"})
LARGEST_BODY_OF_OPERATOR: Final = 64_000
SESSION_OVER: Final = "nobody is signed in here any more; sign in again"
COMMANDS: Final = "commands on this machine"
MOST_STREAMS: Final = 60
"""More than a token has sessions: one that holds no place back from others."""
TOO_MANY_STREAMS: Final = f"{MOST_STREAMS} streams of events are open with this token already: close some"
FOREIGN: Final = "this did not come from our own page"


class Settling:
    """Middleware: settles who calls, and passes on what they may ask."""

    def __init__(
        self,
        app: ASGIApp,
        *,
        home_token: str,
        access: Access,
        sessions: AccessSessions,
        changes: Changes,
        refusals: Refusals,
    ) -> None:
        self._app = app
        self._home_token = home_token
        self._access = access
        self._sessions = sessions
        self._changes = changes
        self._refusals = refusals
        self._streams: Counter[str] = Counter()
        """Streams that are open, by token; those of the home token have none."""

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Settle the caller, and pass on what they may ask."""
        if scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008})
            return
        if scope["type"] != "http" or _for_everybody(scope):
            await self._app(scope, receive, send)
            return
        if not under_rules(scope["path"]):
            answer = None if scope["method"] in LOOKING else _not_allowed(("GET", "HEAD"))
        else:
            answer = await self._settle(scope)
            if answer is None:
                answer, receive = await self._may(scope, receive)
        if answer is not None:
            await answer(scope, receive, send)
        elif scope["path"] == STREAM:
            await self._one_more_stream(scope, receive, send)
        else:
            await self._app(scope, receive, send)

    async def _settle(self, scope: Scope) -> JSONResponse | None:
        """Find the rule and the caller; an answer where the request ends here."""
        headers, ruled = Headers(scope=scope), rule_of(scope["method"], scope["path"])
        state = scope.setdefault("state", {})
        if ruled is not None and not ruled.rule.roles:
            state["ruled"] = ruled
            return None if ours(scope, headers, unless_told=True) else problem(403, FOREIGN, kind="Refused")
        found = await self._caller(headers, source_of(scope))
        if isinstance(found, JSONResponse):
            return found
        if ruled is None:
            return _nothing_there(scope["path"])
        state |= {"ruled": ruled, "caller": found}
        words = _why_not(scope, headers, ruled, found)
        return self._refuse(scope, found, words) if words else None

    async def _caller(self, headers: Headers, source: str) -> Caller | JSONResponse:
        scheme, _, shown = headers.get("authorization", "").partition(" ")
        if scheme.lower() == "bearer" and shown:
            if secrets.compare_digest(shown.encode(), self._home_token.encode()):
                # never made to wait: else any program of this machine could lock its owner out
                return Caller(name="", role="integrator", rooms=frozenset(), by="home token", source=COMMANDS)
            checked = await self._access.check(shown, source)
            if checked.token is not None:
                return caller_with(checked.token, "token", source)
            return told_to_wait(checked.wait) if checked.wait else not_signed_in()
        if scheme or not (secret := session_secret_of(headers)):
            return not_signed_in()
        found = await self._sessions.of(secret)
        if found is not None:
            return caller_with(found[1], "session", source, csrf_of(secret))
        # not counted as a failure: a browser sends the cookie of an ended session by itself, until it is taken back
        over = not_signed_in(SESSION_OVER)
        over.delete_cookie(COOKIE, path="/", httponly=True, samesite="strict")
        return over

    async def _may(self, scope: Scope, receive: Receive) -> tuple[JSONResponse | None, Receive]:
        """Hold what an operator asks against their rooms, and put the caller's name into the body."""
        state = scope["state"]
        ruled, caller = state["ruled"], state.get("caller")
        if caller is None or caller.by == "home token":
            return None, receive
        operator = caller.role == "operator"
        named = (scope["method"], ruled.path) in scope["app"].state.taking_who
        body: Mapping[str, Any] = {}
        if named or (operator and ruled.rule.check == "plan"):
            try:
                data = await read(receive, LARGEST_BODY_OF_OPERATOR if operator else largest_body(scope["path"]))
            except TooLarge as error:
                return problem(413, str(error), kind="BadInput"), receive
            body, data = named_anew(data, caller.name if named else "")
            MutableHeaders(scope=scope)["content-length"] = str(len(data))
            receive = again(data, receive)
        if operator:
            change = None
            if ruled.rule.check in {"change", "trial"}:
                with contextlib.suppress(NotFound):  # which the route tells
                    change = await self._changes.record(ruled.members["change"])
            rooms = parse_qs(scope["query_string"].decode("latin-1"), keep_blank_values=True).get("room", [])
            if words := why_not_rooms(ruled, caller.rooms, rooms, body, change):
                return self._refuse(scope, caller, words), receive
        return None, receive

    def _refuse(self, scope: Scope, caller: Caller, words: str) -> JSONResponse:
        self._refusals.refused(caller.name, caller.role, scope["method"], scope["path"], caller.source, words)
        return problem(403, words, kind="Refused")

    async def _one_more_stream(self, scope: Scope, receive: Receive, send: Send) -> None:
        """A stream of events, as long as not too many are open with the same token."""
        token = scope["state"]["caller"].token
        if self._streams[token] >= MOST_STREAMS:
            await problem(429, TOO_MANY_STREAMS, kind="Refused")(scope, receive, send)
            return
        self._streams[token] += 1
        try:
            await self._while_signed_in(scope, receive, send)
        finally:
            self._streams[token] -= 1
            if not self._streams[token]:
                del self._streams[token]

    async def _while_signed_in(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer until the caller may no longer be answered: an open stream ends with the session or the token."""
        caller, secret = scope["state"]["caller"], session_secret_of(Headers(scope=scope))

        async def good() -> bool:
            if caller.by == "session":
                return await self._sessions.of(secret) is not None
            return caller.by == "home token" or await self._access.still_good(caller.token)

        async def answer() -> None:
            await self._app(scope, receive, send)

        answering = asyncio.create_task(answer(), name="a stream of events")
        over = asyncio.create_task(self._sessions.over(good), name="who reads events")
        try:
            await asyncio.wait({answering, over}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            await end(answering, over)
        if answering.done() and not answering.cancelled():
            answering.result()


def _for_everybody(scope: Scope) -> bool:
    """Whether a path needs no caller: to programs of this machine, as far as it was opened to them."""
    return scope["path"] in scope["app"].state.for_everybody and is_loopback(source_of(scope))


def _why_not(scope: Scope, headers: Headers, ruled: Ruled, caller: Caller) -> str:
    """Why this caller may not call this route from where they are, in words; empty where they may."""
    if caller.role not in ruled.rule.roles:
        return f"your token is an {caller.role}'s, and this is not for an {caller.role}: ask an integrator"
    if caller.by != "session" or scope["method"] in LOOKING:
        return ""
    if not secrets.compare_digest(headers.get(CSRF, "").encode(), caller.csrf.encode()):
        return "the Fleet-CSRF header is missing or another session's"
    return "" if ours(scope, headers) else FOREIGN


def _nothing_there(path: str) -> JSONResponse:
    methods = methods_of(path)
    return _not_allowed(methods) if methods else problem(404, "nothing goes by this name", kind="NotFound")


def _not_allowed(methods: tuple[str, ...]) -> JSONResponse:
    answer = problem(405, "this cannot be done here", kind="Refused")
    answer.headers["Allow"] = ", ".join(methods)
    return answer
