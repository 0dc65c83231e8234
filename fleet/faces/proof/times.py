"""Times of a snapshot's file in words: always UTC, since whoever verifies it has nothing but the file."""

from __future__ import annotations

from datetime import UTC, datetime

from fleet.model.names import shown
from fleet.model.venue_time import on_the_clock

LONGEST_SHOWN = 64


def in_utc(at: object) -> str:
    """`2031-05-17 12:00:00 UTC`; what is no time is shown as it stands in the file."""
    try:
        moment = at if isinstance(at, datetime) else datetime.fromisoformat(str(at))
        return on_the_clock(moment, UTC, "seconds") if moment.tzinfo is not None else shown(str(at), LONGEST_SHOWN)
    except (ValueError, OverflowError):
        return shown(str(at), LONGEST_SHOWN)
