"""A moment as people type it: how long ago, or an ISO 8601 time with its zone."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from fleet.errors import BadInput
from fleet.model.durations import seconds_of


def moment(text: str, where: str = "--since") -> str | None:
    """The moment that is meant, as ISO 8601 in UTC; `None` for nothing. Raises `BadInput` at `where`."""
    if not text:
        return None
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        return (datetime.now(UTC) - timedelta(seconds=seconds_of(text, where))).isoformat()
    if found.tzinfo is None:
        raise BadInput(f"{text!r} has no time zone", where=where, remedy="Write it as 2026-05-01T19:00Z.")
    return found.astimezone(UTC).isoformat()
