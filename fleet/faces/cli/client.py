"""The daemon as the commands see it: found through its folder, called over HTTP on loopback."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

import httpx
import platformdirs

from fleet import errors
from fleet.errors import FleetError, NoDaemon
from fleet.faces.documents import Document

ANSWER_WITHIN_S = 60.0
AT_ONCE = 500
"""Entries of a list that are asked for at once: as many as there may be in a page."""
START_ONE = "Start one with `fleet daemon --venue FOLDER`, or try `fleet demo`."


def default_home() -> Path:
    """Where the daemon keeps its database, token and address unless told otherwise."""
    return platformdirs.user_state_path("fleet")


@dataclass(frozen=True, slots=True)
class Daemon:
    """A running daemon: where it listens, and the token that it wrote for its owner."""

    url: str
    token: str

    def get(self, path: str, **query: Any) -> Document:
        """Ask for a document. Raises the daemon's error, or `NoDaemon`."""
        return self._call("GET", path, params={k: v for k, v in query.items() if v is not None})

    def every(self, path: str, member: str, most: int | None = None, **query: Any) -> Document:
        """A list that comes in pages, as one document: all that is asked for, or the first `most`. Raises as `get`."""
        document: Document = {}
        rows: list[Any] = []
        after: str | None = None
        while not document or (after is not None and (most is None or len(rows) < most)):
            limit = AT_ONCE if most is None else min(AT_ONCE, most - len(rows))
            page = self.get(path, limit=limit, after=after, **query)
            document, after = document or page, page["next"]
            rows += page[member]
        return {**document, member: rows, "next": after}

    def post(self, path: str, body: Document, *, within_s: float = ANSWER_WITHIN_S) -> Document:
        """Ask for something to be done. Raises the daemon's error, or `NoDaemon`."""
        return self._call("POST", path, within_s, json=body)

    def _call(self, method: str, path: str, within_s: float = ANSWER_WITHIN_S, **arguments: Any) -> Document:
        try:
            response = httpx.request(
                method,
                f"{self.url}/v1{path}",
                headers={"Authorization": f"Bearer {self.token}"},
                timeout=within_s,
                trust_env=False,
                **arguments,
            )
        except UnicodeEncodeError:  # a shell hands on any bytes
            raise errors.BadInput("a text that was given is not UTF-8", remedy="Write it anew.") from None
        except httpx.TransportError as error:
            why = "nothing listens there any more" if isinstance(error, httpx.ConnectError) else str(error)
            raise NoDaemon(f"the daemon at {self.url} does not answer ({why})", remedy=START_ONE) from None
        try:
            document: Document = response.json()
        except json.JSONDecodeError:
            raise NoDaemon(f"what answers at {self.url} is not the daemon", remedy=START_ONE) from None
        if response.is_error:
            raise error_of(document)
        return document


def path(*parts: str) -> str:
    """The path of these parts; whatever is in a name stays inside of its part."""
    return "".join(f"/{quote(part, safe='')}" for part in parts)


def find(home: Path) -> Daemon:
    """The daemon of this folder. Raises `NoDaemon` where none has left its address."""
    try:
        address = json.loads((home / "daemon.json").read_text(encoding="utf-8"))
        return Daemon(url=str(address["url"]), token=(home / "token").read_text(encoding="utf-8").strip())
    except FileNotFoundError:
        raise NoDaemon(f"no daemon is running for {home}", remedy=START_ONE) from None
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise NoDaemon(f"the daemon's address in {home} cannot be read: {error}", remedy=START_ONE) from None


def error_of(problem: Document) -> FleetError:
    """The error that a problem document tells of, as its own class."""
    what = str(problem.get("detail", "the daemon refused"))
    where, remedy = str(problem.get("where", "")), str(problem.get("remedy", ""))
    if complaints := problem.get("complaints"):
        return errors.BadInput("\n".join([*complaints, what]))
    kind = getattr(errors, str(problem.get("title")), FleetError)
    if isinstance(kind, type) and issubclass(kind, errors.Refused):
        return kind(what, guards=tuple(problem.get("guards", ())), where=where, remedy=remedy)
    if isinstance(kind, type) and issubclass(kind, errors.BadInput):
        mistakes = issubclass(kind, errors.Mistakes)  # without their list they are what was bad
        return errors.BadInput(what) if mistakes else kind(what, where=where, remedy=remedy)
    return FleetError(what, where=where, remedy=remedy)
