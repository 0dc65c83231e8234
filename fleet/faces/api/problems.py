"""Errors as problem details (RFC 9457): what, where and what to do, never a traceback."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from typing import Final
from urllib.parse import quote

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException
from starlette.types import Receive, Scope, Send

from fleet.errors import (
    BadInput,
    BrokerDown,
    DeviceNonsense,
    DeviceRefused,
    DeviceSilent,
    FleetError,
    Mistakes,
    Moved,
    NotFound,
    Refused,
)
from fleet.faces.api.headers import HEADERS

log = logging.getLogger(__name__)

MEDIA_TYPE: Final = "application/problem+json"
TYPES_AT: Final = "/v1/openapi.json#/components/x-problem-types/"
"""Where each type of problem is described."""
LONGEST_INSTANCE: Final = 500

STATUS: tuple[tuple[type[FleetError], int], ...] = (
    (NotFound, 404),
    (BadInput, 422),
    (Moved, 409),
    (Refused, 409),
    (DeviceSilent, 504),
    (DeviceRefused, 502),
    (DeviceNonsense, 502),
    (BrokerDown, 503),
    (FleetError, 500),
)


def install(app: FastAPI) -> None:
    """Answer every error with problem details."""

    @app.exception_handler(FleetError)
    async def told(_request: Request, error: FleetError) -> JSONResponse:
        status = next(code for kind, code in STATUS if isinstance(error, kind))
        members: dict[str, object] = {"where": error.where, "remedy": error.remedy}
        if isinstance(error, Refused):
            members["guards"] = list(error.guards)
        if isinstance(error, Mistakes):
            members["complaints"] = [str(c) for c in error.complaints]
        return problem(status, error.what, kind=type(error).__name__, **members)

    @app.exception_handler(RequestValidationError)
    async def invalid(_request: Request, error: RequestValidationError) -> JSONResponse:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        return problem(422, f"{where}: {first['msg']}", kind="BadInput")

    @app.exception_handler(HTTPException)
    async def refused(_request: Request, error: HTTPException) -> JSONResponse:
        if error.status_code == 404:
            return problem(404, "nothing goes by this name", kind="NotFound")
        kind = "BadInput" if error.status_code == 400 else "Refused"
        answer = problem(error.status_code, str(error.detail), kind=kind)
        answer.headers.update(error.headers or {})
        return answer

    @app.exception_handler(Exception)
    async def unexpected(request: Request, error: Exception) -> JSONResponse:
        log.error("unexpected error in %s %s", request.method, request.url.path, exc_info=error)
        what = "an unexpected error; the daemon's log has the details"
        answer = problem(500, what, kind="FleetError")
        answer.headers.update({**HEADERS, "Cache-Control": "no-store"})  # no middleware sees this answer
        return answer


class Problem(JSONResponse):
    """A problem document, which names the request it is about as its `instance`."""

    def __init__(self, status: int, members: Mapping[str, object]) -> None:
        self._members = {**members}
        super().__init__(self._members, status_code=status, media_type=MEDIA_TYPE)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send it."""
        self.body = self.render({**self._members, "instance": quote(scope["path"][:LONGEST_INSTANCE])})
        self.headers["Content-Length"] = str(len(self.body))
        await super().__call__(scope, receive, send)


def problem(status: int, what: str, *, kind: str, **members: object) -> Problem:
    """One problem document; `kind` names the class of `fleet.errors`, and its description in the OpenAPI document."""
    return Problem(status, {"type": f"{TYPES_AT}{kind}", "status": status, "title": kind, "detail": what, **members})
