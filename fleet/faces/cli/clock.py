"""The venue's clock at the command line: the one place where a document's time becomes words, and typed text a time."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final, TypeAlias
from zoneinfo import ZoneInfo

from fleet.faces.documents import Document
from fleet.model.durations import read_seconds
from fleet.model.typed_times import typed_moment
from fleet.model.venue_time import Timespec, clock_time, date_time, day_of, on_the_clock

Moment: TypeAlias = str | datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Clock:
    """Says the times of documents (ISO 8601) as the venue's clock has them, and reads those that people type.

    Without a venue it is that of UTC, and what it is used for names it.
    """

    zone: ZoneInfo

    @classmethod
    def of(cls, document: Document) -> Clock:
        """The clock that a document names."""
        return cls(zone=ZoneInfo(document["time_zone"] or "UTC"))

    @property
    def name(self) -> str:
        """The zone, for the head of a column."""
        return self.zone.key

    def day(self, moment: Moment) -> str:
        """`2031-05-17`."""
        return str(day_of(_read(moment), self.zone.key))

    def minute(self, moment: Moment) -> str:
        """`2031-05-17 23:30`, under a head that names the zone."""
        return date_time(_read(moment), self.zone)

    def second(self, moment: Moment) -> str:
        """`2031-05-17 23:30:04`, under a head that names the zone."""
        return date_time(_read(moment), self.zone, "seconds")

    def told(self, moment: Moment, timespec: Timespec = "minutes") -> str:
        """`2031-05-17 23:30 CEST`, in a sentence."""
        return on_the_clock(_read(moment), self.zone, timespec)

    def time(self, moment: Moment, day: Moment, timespec: Timespec = "seconds") -> str:
        """`23:30:04`, with the date where that is not the day of another moment."""
        return clock_time(_read(moment), self.zone, _read(day), timespec)

    def since(self, text: str) -> str | None:
        """What `--since` means, in UTC: so long ago (`2h`), or an ISO 8601 time; `None` for nothing.

        Raises `BadInput`.
        """
        if not text:
            return None
        if (seconds := read_seconds(text.strip())) is not None:
            return (datetime.now(UTC) - timedelta(seconds=seconds)).isoformat()
        return typed_moment(text, self.zone, "--since", "Write 2h, 90m or 2026-05-01T19:00.").isoformat()


NO_VENUE: Final = Clock(zone=ZoneInfo("UTC"))


def _read(moment: Moment) -> datetime:
    return datetime.fromisoformat(moment) if isinstance(moment, str) else moment
