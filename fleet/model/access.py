"""Access: who may do what. Roles, the tokens that carry them, and the sessions that were begun with a token."""

from __future__ import annotations

import hashlib
import unicodedata
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Annotated, Final, Literal, get_args

from pydantic import Field

from fleet.errors import BadInput
from fleet.model.names import Id, Name, shown

Role = Literal["integrator", "operator", "auditor"]
ROLES: Final[tuple[Role, ...]] = get_args(Role)
TokenKind = Literal["token", "tablet"]
Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]

PREFIX: Final = "fleet_"
"""What every token begins with, so that whoever finds one knows what it is."""
LONGEST_NAME: Final = 60
USUAL_LIFE: Final = timedelta(days=365)
LONGEST_LIFE: Final = timedelta(days=730)
IDLE_AFTER: Final = timedelta(hours=12)
"""A session that nobody used for so long is over."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AccessToken:
    """A token, of which only the hash is kept. `rooms` are an operator's; the other roles have every room.

    A `tablet` is a token that was handed out as a QR code. `last_used` is known to the minute.
    """

    id: Id
    name: str
    role: Role
    rooms: tuple[Name, ...] = ()
    kind: TokenKind = "token"
    sha256: Sha256
    made_at: datetime
    made_by: str
    expires: datetime
    revoked_at: datetime | None = None
    revoked_by: str = ""
    last_used: datetime | None = None

    def state(self, now: datetime) -> Literal["good", "expired", "revoked"]:
        """Whether it still opens anything."""
        if self.revoked_at is not None:
            return "revoked"
        return "expired" if now >= self.expires else "good"


@dataclass(frozen=True, slots=True, kw_only=True)
class AccessSession:
    """A browser that signed in with a token. Of the cookie only the hash is kept."""

    sha256: Sha256
    token: Id
    began: datetime
    last_used: datetime
    source: str

    def ends(self) -> datetime:
        """When it is over unless it is used before."""
        return self.last_used + IDLE_AFTER


def sha256_of_secret(secret: str) -> str:
    """What is kept of a secret. It is random and long, so that a plain hash tells nothing of it."""
    return hashlib.sha256(secret.encode("utf-8", "surrogatepass")).hexdigest()


def checked_name(name: str) -> str:
    """A token's name as it is kept. Raises `BadInput` for one that could not be told apart on a screen."""
    name = " ".join(unicodedata.normalize("NFC", name).split())
    if not name or len(name) > LONGEST_NAME or shown(name) != name:
        raise BadInput(f"{shown(name)!r} is no name: up to {LONGEST_NAME} characters that can be seen are wanted")
    return name


def checked_life(life: timedelta) -> timedelta:
    """For how long a token is good. Raises `BadInput` for less than nothing, and for more than two years."""
    if not timedelta(0) < life <= LONGEST_LIFE:
        raise BadInput(
            f"{life.days} days is no life of a token", where="--expires", remedy=f"Give 1d to {LONGEST_LIFE.days}d."
        )
    return life
