"""The JSON documents of access: tokens without their secrets, one just made with it, and browsers signed in."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from fleet.faces.documents import Document
from fleet.model.access import AccessSession, AccessToken
from fleet.model.edge import plain


def tokens(found: Iterable[AccessToken], now: datetime) -> Document:
    """Every token that was ever made."""
    return {"format": "fleet-access/1", "tokens": [_row(token, now) for token in found]}


def token(found: AccessToken, now: datetime) -> Document:
    """One token."""
    return {"format": "fleet-access-token/1", **_row(found, now)}


def made(found: AccessToken, secret: str, now: datetime) -> Document:
    """A token that was just made. Nobody is told the secret again."""
    return {"format": "fleet-access-made/1", **_row(found, now), "token": secret}


def sessions(found: Iterable[tuple[AccessSession, AccessToken]], own: str) -> Document:
    """Every browser that is signed in. `own` is the hash of the caller's cookie; no other hash is told."""
    rows = [
        {
            "token": token.id,
            "name": token.name,
            "role": token.role,
            "kind": token.kind,
            "source": session.source,
            "began": plain(session.began),
            "last_used": plain(session.last_used),
            "idle_ends_at": plain(session.ends()),
            "yours": session.sha256 == own,
        }
        for session, token in found
    ]
    return {"format": "fleet-sessions/1", "sessions": rows}


def _row(found: AccessToken, now: datetime) -> Document:
    kept = {name: value for name, value in plain(found).items() if name != "sha256"}
    return {**kept, "state": found.state(now)}
