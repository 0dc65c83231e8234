"""Errors as problem details (RFC 9457): what, where and what to do, never a traceback."""

from __future__ import annotations

import logging

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException

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

log = logging.getLogger(__name__)

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
        answer = problem(error.status_code, str(error.detail), kind="Refused")
        answer.headers.update(error.headers or {})
        return answer

    @app.exception_handler(Exception)
    async def unexpected(request: Request, error: Exception) -> JSONResponse:
        log.error("unexpected error in %s %s", request.method, request.url.path, exc_info=error)
        what = "an unexpected error; the daemon's log has the details"
        return problem(500, what, kind="FleetError")


def problem(status: int, what: str, *, kind: str, **members: object) -> JSONResponse:
    """One problem document; `kind` names the class of `fleet.errors`."""
    body = {"type": "about:blank", "status": status, "title": kind, "detail": what, **members}
    return JSONResponse(body, status_code=status, media_type="application/problem+json")
