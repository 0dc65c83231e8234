"""Auditing: every request that may change something is in the audit log before it is answered. This is the one place.

Of a body nothing is kept but who asks, why, and what the request is about.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from fleet.faces.api import calling
from fleet.model.audit import Act
from fleet.services.audit import Audit

CHANGING: Final = frozenset({"POST", "PUT", "PATCH", "DELETE"})
ONLY_LOOKING: Final = frozenset(
    {
        "/v1/plans",
        "/v1/check",
        "/v1/rounds/plan",
        "/v1/restarts/plan",
        "/v1/swaps/plan",
        "/v1/capture/plan",
        "/v1/deviations/look",
        "/v1/snapshots/verify",
        "/v1/rooms/{room}/guest/put-back/plan",
    }
)
"""Requests with a body that change nothing, by their route."""
COMMANDS: Final = "commands on this machine"
ABOUT: Final = ("room", "group", "position", "device", "change", "snapshot", "mode", "kind", "name")
"""Members of a body that say what a request is about."""
LARGEST_LOOKED_INTO: Final = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Caller:
    """Who calls, in which role and from where, as the log has it."""

    who: str
    role: str
    source: str


def caller_of(scope: Scope, body: Mapping[str, Any]) -> Caller:
    """Who calls: whoever has the token of this machine's commands is an integrator, whose name the body gives."""
    found = scope.get("state", {}).get("caller")
    if isinstance(found, calling.Caller) and found.by != "home token":
        return Caller(who=found.name, role=found.role, source=f"{found.source} ({found.by})")
    return Caller(who=str(body.get("who") or "not told"), role="integrator", source=COMMANDS)


class Auditing:
    """Middleware that holds an answer back until its request is in the log."""

    def __init__(self, app: ASGIApp, audit: Audit) -> None:
        self._app = app
        self._audit = audit

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, and write it down where it may change something."""
        if scope["type"] != "http" or scope["method"] not in CHANGING:
            await self._app(scope, receive, send)
            return
        asked, held, answered = bytearray(), list[Message](), bytearray()

        async def hearing() -> Message:
            message = await receive()
            if message["type"] == "http.request" and len(asked) <= LARGEST_LOOKED_INTO:
                asked.extend(message.get("body", b""))
            return message

        async def holding(message: Message) -> None:
            held.append(message)
            if message["type"] == "http.response.body":
                answered.extend(message.get("body", b""))

        try:
            await self._app(scope, hearing, holding)
        finally:
            status = next((m["status"] for m in held if m["type"] == "http.response.start"), 500)
            if (act := _act(scope, bytes(asked), status, bytes(answered))) is not None:
                await self._audit.record(act)
        for message in held:
            await send(message)


def _act(scope: Scope, asked: bytes, status: int, answered: bytes) -> Act | None:
    """What to write down; nothing for what no route took, what only looks, and who did not sign in."""
    route = _template(scope)
    if not route or route in ONLY_LOOKING or status == 401:
        return None
    body = _object(asked)
    caller = caller_of(scope, body)
    said = {**{name: body[name] for name in ABOUT if isinstance(body.get(name), str)}, **scope.get("path_params", {})}
    kind = f" {said.pop('kind')}" if "kind" in said else ""
    answer = _object(answered)
    made = str(answer["id"]) if isinstance(answer.get("id"), str) and status < 400 else ""
    about = [*(str(value) for value in said.values() if value), *([made] if made and made not in said.values() else [])]
    return Act(
        who=caller.who,
        role=caller.role,
        what=f"{scope['method']} {route}{kind}",
        about=" ".join(about),
        why=str(body["why"]) if isinstance(body.get("why"), str) else "",
        source=caller.source,
        result=_result(status, answer),
    )


def _result(status: int, answer: Mapping[str, Any]) -> str:
    if status < 400:
        return "done"
    return f"{'refused' if status < 500 else 'failed'}: {answer.get('detail', f'status {status}')}"


def _template(scope: Scope) -> str:
    """The path of the route that took the request, with names in place of what was asked for."""
    path = str(getattr(scope.get("route"), "path", ""))
    return path if not path or path.startswith("/v1") else f"/v1{path}"


def _object(data: bytes) -> Mapping[str, Any]:
    try:
        found = json.loads(data)
    except (ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}
