"""Headers that keep browsers on our side, on every answer; and no answer to who called us by another's name."""

from __future__ import annotations

from collections.abc import Collection

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from fleet.faces.api.headers import HEADERS
from fleet.faces.api.origins import meant_for_us, name_of
from fleet.faces.api.problems import problem
from fleet.faces.api.rules import under_rules


class Guarding:
    """Middleware, outermost of all. `hosts` are the names that we go by, besides those of this machine to itself."""

    def __init__(self, app: ASGIApp, hosts: Collection[str]) -> None:
        self._app = app
        self._hosts = frozenset(name for host in hosts if (name := name_of(host) or host.lower()))

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on that is meant for us."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                if under_rules(scope["path"]):
                    headers.setdefault("Cache-Control", "no-store")
            await send(message)

        if meant_for_us(scope, Headers(scope=scope), self._hosts):
            await self._app(scope, receive, guarded)
            return
        words = "this daemon does not go by that name; `hosts` in its config.toml lists those that it goes by"
        await problem(421, words, kind="Refused")(scope, receive, guarded)
