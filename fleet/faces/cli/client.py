"""The daemon as the commands see it: that of this machine, or the one that the home is signed in to; over HTTP."""

from __future__ import annotations

import json
import ssl
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import quote

import httpx
import platformdirs

from fleet import errors
from fleet.errors import FleetError, NoDaemon, NoEntry
from fleet.faces.cli.clock import NO_VENUE, Clock
from fleet.faces.cli.sign_in_file import SignIn, read_sign_in
from fleet.faces.cli.trusting import CONNECT_WITHIN_S, trouble, trust, trust_nobody
from fleet.faces.cli.understanding import answers_of, refuse_other_release, with_releases
from fleet.faces.documents import Document

ANSWER_WITHIN_S = 60.0
AT_ONCE = 500
"""Entries of a list that are asked for at once: as many as there may be in a page."""
START_ONE = "Start one with `fleet daemon --venue FOLDER`, or try `fleet demo`."
NO_ENTRY = 401


def default_home() -> Path:
    """Where the daemon keeps its database, token and address unless told otherwise."""
    return platformdirs.user_state_path("fleet")


@dataclass(frozen=True, slots=True)
class Daemon:
    """A running daemon: where it listens, and what opens it.

    Without a `sign_in` it is one of this machine, and the token is what it wrote for its owner.
    """

    url: str
    token: str = field(repr=False)
    sign_in: SignIn | None = None
    trusted: ssl.SSLContext = field(default_factory=trust_nobody, repr=False)

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
        document.update({member: rows, "next": after})
        return document

    def post(self, path: str, body: Document, *, within_s: float = ANSWER_WITHIN_S) -> Document:
        """Ask for something to be done. Raises the daemon's error, or `NoDaemon`."""
        return self._call("POST", path, within_s, json=body)

    def place(self, folder: str) -> str:
        """A folder of the daemon's machine, for people."""
        return folder if self.sign_in is None else f"{folder} on the daemon's machine"

    def clock(self) -> Clock:
        """The venue's clock. Raises as `get`."""
        return Clock.of(self.get("/session"))

    def _call(self, method: str, path: str, within_s: float = ANSWER_WITHIN_S, **arguments: Any) -> Document:
        try:
            response = httpx.request(
                method,
                f"{self.url}/v1{path}",
                headers={"Authorization": f"Bearer {self.token}"},
                timeout=httpx.Timeout(within_s, connect=CONNECT_WITHIN_S),
                trust_env=False,
                verify=self.trusted,
                **arguments,
            )
        except UnicodeEncodeError:  # a shell hands on any bytes
            raise errors.BadInput("a text that was given is not UTF-8", remedy="Write it anew.") from None
        except httpx.TransportError as error:
            raise self.unreached(error) from None
        except httpx.DecodingError:
            raise self.no_daemon() from None
        document = self.document_in(response)
        if response.is_error:
            refusal = self.refusal(response.status_code, document)
            raise with_releases(refusal, response.status_code, response.headers)
        return document

    def document_in(self, response: httpx.Response) -> Document:
        """What was answered. Raises `NoDaemon` where no daemon answers so, or `NotUnderstood`."""
        try:
            document = response.json(object_hook=answers_of(response.headers))
        except ValueError:
            document = None
        if not isinstance(document, dict):
            raise self.no_daemon()
        refuse_other_release(response.headers)
        return document

    def unreached(self, error: httpx.TransportError) -> FleetError:
        """Why nothing was answered, in words."""
        if self.sign_in is not None:
            return trouble(self.url, error, pinned=bool(self.sign_in.certificate))
        why = str(error) or type(error).__name__
        why = "nothing listens there any more" if isinstance(error, httpx.ConnectError) else why
        return NoDaemon(f"the daemon at {self.url} does not answer ({why})", remedy=START_ONE)

    def no_daemon(self) -> NoDaemon:
        """What is said where something else answers."""
        remedy = "Look at its address." if self.sign_in else START_ONE
        return NoDaemon(f"what answers at {self.url} is not the daemon", remedy=remedy)

    def refusal(self, status: int, document: Document) -> FleetError:
        """The error that was answered, as its own class."""
        if status != NO_ENTRY or self.sign_in is None:
            return error_of(document)
        name, expires = self.sign_in.name, self.sign_in.expires
        whose = f"the token of {name}" if name else "this token"
        why = "was revoked, or is another daemon's" if name else "has expired, was revoked, or is another daemon's"
        if expires <= datetime.now(UTC):
            why = f"expired on {NO_VENUE.told(expires)}"
        remedy = "An integrator makes another (`fleet access make`); then `fleet sign-in` again."
        return NoEntry(f"{whose} opens nothing at {self.url}: it {why}", remedy=remedy)


def path(*parts: str) -> str:
    """The path of these parts; whatever is in a name stays inside of its part."""
    return "".join(f"/{quote(part, safe='')}" for part in parts)


def reach(home: Path) -> Daemon:
    """The daemon that commands of this home are for: that which it is signed in to, else its own.

    Raises `NoDaemon`, and `BadInput` for a sign-in that cannot be used.
    """
    sign_in = read_sign_in(home)
    return find(home) if sign_in is None else signed_in_to(sign_in)


def signed_in_to(sign_in: SignIn) -> Daemon:
    """The daemon of another machine. Raises `BadInput`."""
    try:
        trusted = trust(sign_in.certificate) if sign_in.url.startswith("https:") else trust_nobody()
    except ssl.SSLError:
        again = "`fleet sign-in` again, with --certificate FILE."
        raise errors.BadInput("the certificate that this home trusts is none", remedy=again) from None
    return Daemon(sign_in.url, sign_in.token, sign_in, trusted)


def find(home: Path) -> Daemon:
    """This machine's daemon of this folder. Raises `NoDaemon` where none has left its address."""
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
