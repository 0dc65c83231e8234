"""The JSON documents of access: tokens without their secrets, one just made with it, and who is signed in."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from fleet.faces.documents import Document
from fleet.model.access import AccessToken
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


def _row(found: AccessToken, now: datetime) -> Document:
    kept = {name: value for name, value in plain(found).items() if name != "sha256"}
    return {**kept, "state": found.state(now)}
