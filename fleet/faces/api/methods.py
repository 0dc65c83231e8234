"""HEAD and OPTIONS: a HEAD is answered as its GET without a body, an OPTIONS with the methods of its path."""

from __future__ import annotations

from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from fleet.faces.api.problems import problem
from fleet.faces.api.rules import methods_of, under_rules


class Methods:
    """Middleware, outside of all that goes by the method."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, or pass it on as a GET."""
        if scope["type"] != "http" or scope["method"] not in {"HEAD", "OPTIONS"} or not under_rules(scope["path"]):
            await self._app(scope, receive, send)
            return
        allowed = methods_of(scope["path"])
        if scope["method"] == "OPTIONS":
            await _allow(allowed)(scope, receive, send)
        elif "HEAD" not in allowed:
            await self._app(scope, receive, send)
        else:
            await self._app({**scope, "method": "GET"}, receive, _without_body(send))


def _allow(allowed: tuple[str, ...]) -> Response:
    if not allowed:
        return problem(404, "nothing goes by this name", kind="NotFound")
    return Response(status_code=204, headers={"Allow": ", ".join(allowed)})


def _without_body(send: Send) -> Send:
    async def bare(message: Message) -> None:
        await send({**message, "body": b""} if message["type"] == "http.response.body" else message)

    return bare
