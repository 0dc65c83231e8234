"""The JSON document of notices, `fleet-notice/1`: what a webhook is sent and a command reads on its input."""

from __future__ import annotations

import json
from collections.abc import Iterable
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from fleet.faces.documents import Document
from fleet.model.edge import plain
from fleet.model.notice import Notice
from fleet.model.venue_time import clock_time
from fleet.services.receivers import Parcel

MOST_LINES: Final = 20


def parcel_document(parcel: Parcel) -> Document:
    """Everything that is told at once. It is the same each time that is tried."""
    zone = ZoneInfo(parcel.time_zone)
    return {
        "format": "fleet-notice/1",
        "id": parcel.id,
        "venue": parcel.venue,
        "time_zone": parcel.time_zone,
        "test": parcel.test,
        "words": words_of(parcel),
        "notices": [notice_document(n, zone) for n in parcel.notices],
        "more": parcel.more,
    }


def notice_document(notice: Notice, zone: ZoneInfo) -> Document:
    """One notice; `at` and `since` in UTC, `at_venue` and `since_venue` on the venue's clock."""
    return {
        **plain(notice),
        "grade": notice.grade.word if notice.grade is not None else None,
        "at_venue": _on_clock(notice.at, zone),
        "since_venue": _on_clock(notice.since, zone) if notice.since is not None else None,
    }


def notices_document(notices: Iterable[Notice], zone: ZoneInfo) -> Document:
    """A list of notices, last given first."""
    return {
        "format": "fleet-notices/1",
        "time_zone": zone.key,
        "notices": [notice_document(n, zone) for n in notices],
    }


def words_of(parcel: Parcel) -> str:
    """What happened, as text for a person: a sentence, or a line for each notice that was held back."""
    if len(parcel.notices) == 1:
        return parcel.notices[0].words
    zone = ZoneInfo(parcel.time_zone)
    lines = [f"{clock_time(n.at, zone, n.at)} {n.words}" for n in parcel.notices[:MOST_LINES]]
    count = len(parcel.notices) + parcel.more
    more = [f"and {count - MOST_LINES} more: `fleet notices` lists them"] if count > MOST_LINES else []
    return "\n".join([f"{count} notices from quiet hours:", *lines, *more])


def bytes_of(parcel: Parcel) -> bytes:
    """The document as it is sent and signed."""
    return json.dumps(parcel_document(parcel), sort_keys=True, ensure_ascii=True).encode("ascii")


def _on_clock(moment: datetime, zone: ZoneInfo) -> str:
    return moment.astimezone(zone).isoformat(timespec="seconds")
