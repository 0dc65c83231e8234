"""Entity tags (RFC 9110, section 8.8.3): what a reader has already is not sent again.

The tag is strong: it is made of the very bytes of the answer. A route whose document has a validator of its own (the
version in force) gives that instead.
"""

from __future__ import annotations

import hashlib
from typing import Final

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from fleet.store.records import StoredVersion

JSON: Final = "application/json"
SENT_WITH_304: Final = frozenset({b"etag", b"cache-control", b"link", b"set-cookie", b"vary"})


class ETags:
    """Middleware that gives documents a tag, and answers 304 where the reader has them."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a GET with a tag, or with nothing but that."""
        if scope["type"] != "http" or scope["method"] != "GET":
            await self._app(scope, receive, send)
            return
        started: list[Message] = []
        body = bytearray()

        async def tagging(message: Message) -> None:
            if message["type"] == "http.response.start" and _is_document(message):
                started.append(message)
            elif not started:
                await send(message)
            elif message["type"] == "http.response.body":
                body.extend(message.get("body", b""))
                if not message.get("more_body", False):
                    await _send(started.pop(), bytes(body), Headers(scope=scope).get("if-none-match", ""), send)

        await self._app(scope, receive, tagging)


def matches(tags: str, etag: str) -> bool:
    """Whether a list of tags as `If-Match` and `If-None-Match` have it names this one; weakness aside."""
    return any(tag.strip() == "*" or tag.strip().removeprefix("W/") == etag for tag in tags.split(","))


def etag_of(version: StoredVersion | None) -> str:
    """The tag of the files in force: that of `GET /v1/files`, which `If-Match` takes where a version is loaded."""
    return "" if version is None else f'"{version.number}-{version.sha256[:32]}"'


def _is_document(start: Message) -> bool:
    kind = next((value for name, value in start["headers"] if name.lower() == b"content-type"), b"")
    return start["status"] == 200 and kind.decode("latin-1").partition(";")[0] == JSON


async def _send(start: Message, body: bytes, known: str, send: Send) -> None:
    headers = MutableHeaders(scope=start)
    etag = headers.setdefault("ETag", f'"{hashlib.sha256(body).hexdigest()[:32]}"')
    if known and matches(known, etag):
        kept = [(name, value) for name, value in start["headers"] if name.lower() in SENT_WITH_304]
        await send({**start, "status": 304, "headers": kept})
        body = b""
    else:
        await send(start)
    await send({"type": "http.response.body", "body": body})
