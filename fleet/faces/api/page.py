"""The page: its files, and one document for every path that is a page's. Whatever is below `/v1` is none of it."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp, Receive, Scope, Send

from fleet.faces.api.etags import matches

WEB: Final = Path(__file__).parent.parent / "web"
FILES: Final = "/web/"
"""The files' place in addresses."""
NOT_PAGES: Final = ("/v1", "/metrics", "/web")
TYPES: Final[Mapping[str, str]] = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Served:
    """A file as it is sent."""

    content: bytes
    media_type: str
    etag: str


def add_page(app: FastAPI) -> None:
    """Answer with the page where no route does. Everybody may have it: it holds nothing before somebody signs in."""
    app.router.default = Page(files_of(WEB), app.router.default)


def files_of(folder: Path) -> Mapping[str, Served]:
    """Every file of the page by its place below the folder. Only what is in here is ever sent."""
    return {
        path.relative_to(folder).as_posix(): _served(path)
        for path in sorted(folder.rglob("*"))
        if path.suffix in TYPES and path.is_file()
    }


class Page:
    """Sends the page's files, and its document for every other path that no route has; the rest is `otherwise`'s."""

    def __init__(self, files: Mapping[str, Served], otherwise: ASGIApp) -> None:
        self._files = files
        self._otherwise = otherwise

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        found = self._found(scope["path"]) if scope["type"] == "http" and scope["method"] in {"GET", "HEAD"} else None
        answer = self._otherwise if found is None else _answer(found, Request(scope))
        await answer(scope, receive, send)

    def _found(self, path: str) -> Served | None:
        if path.startswith(FILES):
            return self._files.get(path.removeprefix(FILES))
        if any(path == one or path.startswith(f"{one}/") for one in NOT_PAGES):
            return None
        return self._files["index.html"]


def _answer(file: Served, request: Request) -> Response:
    headers = {"ETag": file.etag, "Cache-Control": "no-cache"}
    if matches(request.headers.get("If-None-Match", ""), file.etag):
        return Response(status_code=304, headers=headers)
    return Response(file.content, headers=headers, media_type=file.media_type)


def _served(path: Path) -> Served:
    content = path.read_bytes()
    etag = f'"{hashlib.sha256(content).hexdigest()[:32]}"'
    return Served(content=content, media_type=TYPES[path.suffix], etag=etag)
