"""Who is told of notices: a webhook or a command, as `config.toml` names them in `[[notices]]`."""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import httpx

from fleet.errors import BadInput, NotDelivered
from fleet.model.difference import Grade
from fleet.model.receiver import ReceiverRules

LONGEST_SECRET_BYTES: Final = 4096
MOST_PORT: Final = 65_535

_taken: dict[str, str] = {}
"""Secrets that were taken out of the environment, by variable."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceiverConfig:
    """One of `webhook` and `command` is set. What it is as text has no secrets: a URL is told by its host alone."""

    rules: ReceiverRules
    webhook: str = field(default="", repr=False)
    command: tuple[str, ...] = ()
    secret_file: Path | None = None
    secret_variable: str = ""
    timeout_s: float = 10.0

    @property
    def target(self) -> str:
        """What is told, for people: of a command its program, of a URL its host."""
        return f"command {self.command[0]}" if self.command else f"webhook {origin(self.webhook)}"

    def __str__(self) -> str:
        """The same with the rules."""
        rules = self.rules
        parts = [", ".join(sorted(rules.kinds)), f"rooms {', '.join(sorted(rules.rooms))}" if rules.rooms else ""]
        if rules.least > Grade.SLIGHT:
            parts.append(f"at least {rules.least.word}")
        if rules.quiet is not None:
            hours = f"quiet {rules.quiet.start:%H:%M}-{rules.quiet.until:%H:%M}"
            parts.append(hours + (" for all" if rules.quiet_all else ""))
        if self.secret_file or self.secret_variable:
            parts.append("signed")
        told = "; ".join(part for part in parts if part)
        return f"{rules.name}: {self.target}" + (f" ({told})" if told else "")

    def secret(self) -> bytes | None:
        """The secret that signs what is sent, read anew each time; `None` for unsigned. Raises `NotDelivered`."""
        if self.secret_file is not None:
            try:
                with self.secret_file.open("rb") as file:
                    found = file.read(LONGEST_SECRET_BYTES).strip()
            except OSError as error:
                raise NotDelivered(
                    f"the secret cannot be read: {error.strerror}", where=str(self.secret_file)
                ) from None
        elif self.secret_variable:
            found = (os.environ.get(self.secret_variable) or _taken.get(self.secret_variable, "")).encode()
        else:
            return None
        if not found:
            raise NotDelivered("the secret is empty", where=str(self.secret_file or self.secret_variable))
        return found


def take_secrets(receivers: Iterable[ReceiverConfig]) -> None:
    """Take the secrets of these out of the environment, so that no child of this process inherits them."""
    for receiver in receivers:
        if receiver.secret_variable in os.environ:
            _taken[receiver.secret_variable] = os.environ.pop(receiver.secret_variable)


def origin(url: str) -> str:
    """A URL without what may be secret: no user, no path, no query."""
    parsed = httpx.URL(url)
    port = f":{parsed.port}" if parsed.port is not None else ""
    host = f"[{parsed.host}]" if ":" in parsed.host else parsed.host
    return f"{parsed.scheme}://{host}{port}"


def check_webhook(url: str) -> None:
    """Whether this is a URL that can be sent to. Raises `BadInput` that does not repeat it."""
    wrong = BadInput("this is no URL to send to: write https://HOST/PATH")
    try:
        parsed = httpx.URL(url)
    except httpx.InvalidURL:
        raise wrong from None
    port_is_one = parsed.port is None or 0 < parsed.port <= MOST_PORT
    if parsed.scheme not in ("http", "https") or not parsed.host or not port_is_one or any(c.isspace() for c in url):
        raise wrong
