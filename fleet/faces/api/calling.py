"""Who calls: settled once for each request, before anything else of the API looks at it.

What a page or another client relies on:

- `POST /v1/session` with `{"token": "fleet_…"}` signs in: it answers the session document, and sets the cookie
  `fleet_session` (HttpOnly; SameSite=Strict; Path=/; Secure over TLS). 401: the token opens nothing; 429 with
  `Retry-After` (seconds): too many failures, wait.
- `GET /v1/session` answers, for whoever calls: `{"format": "fleet-session/1", "name": "Foyer tablet", "role":
  "operator", "rooms": ["foyer"], "by": "session", "kind": "tablet", "venue": "Harbour House", "csrf": "…",
  "expires_at": "2032-05-17T12:00:00+00:00", "idle_ends_at": "2031-05-18T00:00:00+00:00"}`. `rooms` is null where the
  role has every room (integrator, auditor); `role` is one of integrator, operator, auditor; `csrf` is empty for who
  calls with a bearer token; 401 where nobody is signed in.
- `DELETE /v1/session` signs out, and takes the cookie back: `{"format": "fleet-session-end/1"}`.
- With the cookie, each request but GET and HEAD has the header `Fleet-CSRF` with `csrf` of the session document; its
  `Origin` (or, without one, `Sec-Fetch-Site: same-origin`) has to be ours. Else 403, a problem document as all errors.
- A QR code leads to `URL/sign-in#fleet_…`: the page takes the token from the fragment, which no server is sent, posts
  it, and replaces the address.
- A session ends after 12 h without a request (an open `/v1/events` counts as one), with its token, or by sign-out; the
  stream of events is cut then, and everything answers 401.
- For every caller but this machine's commands, `who` in a body is replaced by the caller's name, and may be left out.

A bearer token (`Authorization: Bearer …`) needs no cookie and no CSRF header. There is no CORS: no other site reads us.
"""

from __future__ import annotations

import hashlib
import hmac
import math
from dataclasses import dataclass
from datetime import timedelta
from typing import Annotated, Final, Literal

from fastapi import Depends, HTTPException, Request
from fastapi.responses import JSONResponse
from starlette.datastructures import Headers
from starlette.requests import cookie_parser
from starlette.types import Scope

from fleet.faces.api.problems import problem
from fleet.faces.api.rules import Ruled
from fleet.model.access import AccessToken, Role

COOKIE: Final = "fleet_session"
NOT_SIGNED_IN: Final = (
    "the token is missing or wrong; that of this machine's commands is in the daemon's folder, "
    "and `fleet access make` makes others"
)
TOO_MANY: Final = "too many failures: wait"


@dataclass(frozen=True, slots=True, kw_only=True)
class Caller:
    """Who calls. The home token's caller has no name: each body says `who`. `csrf` is that of a session."""

    name: str
    role: Role
    rooms: frozenset[str]
    by: Literal["home token", "token", "session"]
    source: str
    token: str = ""
    csrf: str = ""

    def sees(self, *rooms: str) -> bool:
        """Whether all of these rooms are theirs to see."""
        return self.role != "operator" or self.rooms.issuperset(rooms)


def caller_of(request: Request) -> Caller:
    """The caller of this request. Refuses (403) what came past the rules."""
    state = request.scope.get("state", {})
    caller, ruled = state.get("caller"), state.get("ruled")
    if not isinstance(caller, Caller) or not isinstance(ruled, Ruled):
        raise HTTPException(403, "this route has no rule of access")
    return caller


def under_its_rule(request: Request) -> None:
    """The API's own dependency: refuses (403) a route that is not the one whose rule was applied."""
    ruled = request.scope.get("state", {}).get("ruled")
    path = str(getattr(request.scope.get("route"), "path", ""))
    if not isinstance(ruled, Ruled) or ruled.path not in {path, f"/v1{path}"}:
        raise HTTPException(403, "this route has no rule of access")


Called = Annotated[Caller, Depends(caller_of)]


def caller_with(token: AccessToken, by: Literal["token", "session"], source: str, csrf: str = "") -> Caller:
    """Whoever has this token, or a session that began with it."""
    return Caller(
        name=token.name,
        role=token.role,
        rooms=frozenset(token.rooms),
        by=by,
        source=source,
        token=token.id,
        csrf=csrf,
    )


def csrf_of(session_secret: str) -> str:
    """The CSRF token of a session: only who has the cookie, or was told by us, knows it."""
    return hmac.new(session_secret.encode(), b"fleet csrf/1", hashlib.sha256).hexdigest()


def session_secret_of(headers: Headers) -> str:
    """The cookie of a session; empty where there is none."""
    # Read as browsers send it: what another program of this host has set, well formed or not, is in it as well.
    return cookie_parser(headers.get("cookie", "")).get(COOKIE, "")


def source_of(scope: Scope) -> str:
    """The address that a request came from."""
    client = scope.get("client")
    return str(client[0]) if client else "unknown"


def told_to_wait(wait: timedelta) -> JSONResponse:
    """The answer to who failed too often."""
    seconds = max(1, math.ceil(wait.total_seconds()))
    answer = problem(429, f"{TOO_MANY} {seconds} s", kind="Refused")
    answer.headers["Retry-After"] = str(seconds)
    return answer


def not_signed_in(words: str = NOT_SIGNED_IN) -> JSONResponse:
    """The answer to who opens nothing."""
    answer = problem(401, words, kind="Refused")
    answer.headers["WWW-Authenticate"] = "Bearer"
    return answer
