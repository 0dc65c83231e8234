"""Bodies are bounded: nobody fills the memory with one. Only venue files are large."""

from __future__ import annotations

from typing import Final

from starlette.datastructures import Headers
from starlette.types import ASGIApp, Receive, Scope, Send

from fleet.faces.api.problems import problem
from fleet.faces.api.rereading import TooLarge, again, read

LARGEST_BODY: Final = 1_000_000
LARGEST_FILES: Final = 32_000_000
OF_FILES: Final = frozenset({"/v1/versions", "/v1/check", "/v1/capture", "/v1/snapshots/verify"})
"""Paths whose bodies hold the texts of a whole venue, or a snapshot of it."""
LARGEST_SIGN_IN: Final = 10_000
SIGNING_IN: Final = "/v1/session"
BODILESS: Final = frozenset({"GET", "HEAD", "OPTIONS"})


def largest_body(path: str) -> int:
    """How many bytes the body of a request to this path may have."""
    if path == SIGNING_IN:
        return LARGEST_SIGN_IN
    return LARGEST_FILES if path in OF_FILES else LARGEST_BODY


class Bounded:
    """Middleware that reads bodies up to their limit, and answers 413 beyond it."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on that is not too large."""
        if scope["type"] != "http" or scope["method"] in BODILESS:
            await self._app(scope, receive, send)
            return
        most = largest_body(scope["path"])
        told = Headers(scope=scope).get("content-length", "")
        too_large = problem(413, f"a body of more than {most} bytes is too large here", kind="BadInput")
        if told.isdecimal() and int(told) > most:
            await too_large(scope, receive, send)
            return
        try:
            data = await read(receive, most)
        except TooLarge:  # it did not tell its length, or another one
            await too_large(scope, receive, send)
            return
        await self._app(scope, again(data, receive), send)
