"""Times as people type them: on the venue's clock, unless they are written with an offset.

A time that the clock skips, and one that it has twice, are refused with what to write in their place: whoever typed
them would not get what they meant.
"""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

from fleet.errors import BadInput
from fleet.model.names import shown
from fleet.model.venue_time import date_time, moment_of, moments_of

LONGEST_SHOWN = 100


def typed_moment(text: str, zone: ZoneInfo, where: str, remedy: str) -> datetime:
    """The moment of an ISO 8601 time, in UTC. Raises `BadInput` at `where`, with the remedy for text that is none."""
    try:
        given = datetime.fromisoformat(text)
        return the_moment(given, zone, where) if given.tzinfo is None else given.astimezone(UTC)
    except (ValueError, OverflowError):
        raise BadInput(f"{shown(text, LONGEST_SHOWN)!r} is no time", where=where, remedy=remedy) from None


def next_moment(at: time, zone: ZoneInfo, now: datetime, where: str) -> datetime:
    """The next moment at which the clock shows this time of day, in UTC. Raises `BadInput` at `where`."""
    today = now.astimezone(zone).date()
    shown_today = moments_of(datetime.combine(today, at), zone) or (moment_of(today, at, zone),)
    day = today if shown_today[-1] > now else today + timedelta(days=1)
    return the_moment(datetime.combine(day, at), zone, where, after=now)


def the_moment(local: datetime, zone: ZoneInfo, where: str, *, after: datetime | None = None) -> datetime:
    """The only moment, if need be after another one, at which the clock shows a time, in UTC.

    Raises `BadInput` at `where` for a time that it skips, and for one that it has twice.
    """
    found = [m for m in moments_of(local, zone) if after is None or m > after]
    if len(found) == 1:
        return found[0]
    told = f"{local.date()} {local:%H:%M}"
    if not found:
        first = moment_of(local.date(), local.time(), zone)
        raise BadInput(
            f"{told} is left out by the venue's clock ({zone.key}), which is put forward to {date_time(first, zone)}",
            where=where,
            remedy=f"Write {first.astimezone(zone):%Y-%m-%dT%H:%M}, or a time before the gap.",
        )
    one, other = (m.astimezone(zone).isoformat(timespec="minutes") for m in found)
    raise BadInput(
        f"the venue's clock ({zone.key}) shows {told} twice, since it is put back",
        where=where,
        remedy=f"Write {one} for the first, {other} for the second.",
    )
