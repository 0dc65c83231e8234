"""Routes of access: tokens are made, listed and revoked; a browser signs in, asks who it is, and signs out."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Annotated

from fastapi import APIRouter, Request, Response
from pydantic import Field, SecretStr

from fleet.errors import NotFound
from fleet.faces import access_documents
from fleet.faces.api.bodies import Body, Named, WhoBody
from fleet.faces.api.calling import (
    COOKIE,
    Called,
    Caller,
    caller_with,
    csrf_of,
    not_signed_in,
    session_secret_of,
    source_of,
    told_to_wait,
)
from fleet.faces.documents import Document
from fleet.model.access import LONGEST_LIFE, USUAL_LIFE, AccessSession, AccessToken, Role, TokenKind, sha256_of_secret
from fleet.model.edge import plain
from fleet.services.access import AskedToken
from fleet.services.together import Services


class MakeBody(WhoBody):
    """A token to make."""

    name: Annotated[str, Field(min_length=1, max_length=200)]
    role: Role
    rooms: Annotated[list[Named], Field(max_length=1000, description="An operator's rooms.")] = Field(
        default_factory=list
    )
    kind: TokenKind = "token"
    days: Annotated[int, Field(ge=1, le=LONGEST_LIFE.days, description="For how long it is good.")] = USUAL_LIFE.days

    def asked(self) -> AskedToken:
        """The same for the service."""
        return AskedToken(
            name=self.name, role=self.role, rooms=self.rooms, kind=self.kind, life=timedelta(days=self.days)
        )


class SignInBody(Body):
    """A token that somebody signs in with."""

    token: Annotated[SecretStr, Field(min_length=1, max_length=200)]


def router_over(services: Services, clock: Callable[[], datetime]) -> APIRouter:
    """The routes over these services."""
    router = APIRouter()
    access, sessions = services.access, services.access_sessions

    @router.get("/access")
    async def tokens() -> Document:
        return access_documents.tokens(await access.tokens(), clock())

    @router.post("/access")
    async def make(body: MakeBody) -> Document:
        token, secret = await access.make(body.asked(), body.who)
        return access_documents.made(token, secret, clock())

    @router.post("/access/{token}/revoke")
    async def revoke(token: str, body: WhoBody) -> Document:
        return access_documents.token(await access.revoke(token, body.who), clock())

    @router.post("/access/{token}/sign-out")
    async def sign_out_everywhere(token: str, _body: WhoBody) -> Document:
        found = await access.token(token)
        return {"format": "fleet-sessions-ended/1", "ended": await sessions.end_all(token=found.id)}

    @router.get("/sessions")
    async def signed_in(caller: Called, request: Request) -> Document:
        return access_documents.sessions(await sessions.good(), sha256_of_secret(own_secret(caller, request)))

    @router.post("/sessions/end")
    async def sign_others_out(_body: WhoBody, caller: Called, request: Request) -> Document:
        return {"format": "fleet-sessions-ended/1", "ended": await sessions.end_all(but=own_secret(caller, request))}

    def own_secret(caller: Caller, request: Request) -> str:
        return session_secret_of(request.headers) if caller.by == "session" else ""

    def document(caller: Caller, token: AccessToken | None, session: AccessSession | None) -> Document:
        version = services.desired.version
        return {
            "format": "fleet-session/1",
            "name": caller.name,
            "role": caller.role,
            "rooms": sorted(caller.rooms) if caller.role == "operator" else None,
            "by": caller.by,
            "kind": token.kind if token is not None else None,
            "venue": version.venue.name if version is not None else None,
            "time_zone": version.venue.time_zone if version is not None else None,
            "csrf": caller.csrf,
            "expires_at": plain(token.expires) if token is not None else None,
            "idle_ends_at": plain(session.ends()) if session is not None else None,
        }

    @router.post("/session", response_model=None)
    async def sign_in(body: SignInBody, request: Request, response: Response) -> Document | Response:
        source = source_of(request.scope)
        checked = await access.check(body.token.get_secret_value(), source)
        if (token := checked.token) is None:
            return told_to_wait(checked.wait) if checked.wait else not_signed_in("this token opens nothing here")
        if before := session_secret_of(request.headers):
            await sessions.end(before)  # a browser has one session: that of who signed in last
        secret = await sessions.begin(token, source)
        found = await sessions.of(secret)
        if found is None:
            return not_signed_in("this token opens nothing here")
        caller = caller_with(token, "session", source, csrf_of(secret))
        request.scope["state"]["caller"] = caller  # for the audit log
        response.set_cookie(
            COOKIE, secret, path="/", httponly=True, samesite="strict", secure=request.url.scheme == "https"
        )
        return document(caller, token, found[0])

    @router.get("/session")
    async def session(caller: Called, request: Request) -> Document:
        if caller.by == "session":
            found = await sessions.of(session_secret_of(request.headers))
            return document(caller, found[1] if found else None, found[0] if found else None)
        return document(caller, await access.token(caller.token) if caller.token else None, None)

    @router.delete("/session")
    async def sign_out(caller: Called, request: Request, response: Response) -> Document:
        if caller.by != "session":
            raise NotFound("there is no session to end: this call came with a token")
        await sessions.end(session_secret_of(request.headers))
        response.delete_cookie(COOKIE, path="/", httponly=True, samesite="strict")
        return {"format": "fleet-session-end/1"}

    return router
