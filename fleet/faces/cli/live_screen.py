"""The live view as the lines of a screen: rooms that are not right first, then drift, then notices."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from fleet.faces.cli import show
from fleet.faces.cli.live_view import View, notice_line
from fleet.faces.documents import Document
from fleet.model.names import shown

LEAST_ROWS: Final = 6


def screen(view: View, now: datetime, rows: int) -> list[str]:
    """At most `rows` lines. What is not known to be so any more is said before everything else."""
    lines = [_head(view, now)]
    lines += [f"link to the devices: {view.link_trouble}"] if view.link_trouble else []
    room_lines = _rooms(view)
    drift_lines = _drift(view)
    notice_lines = _notices(view)
    left = max(LEAST_ROWS, rows) - len(lines)
    for part, share in ((room_lines, 2), (drift_lines, 2), (notice_lines, 1)):
        if part:
            taken = _cut(part, max(2, left // share))
            lines += taken
            left -= len(taken)
    return [shown(line, 1000) for line in lines][:rows]


def _head(view: View, now: datetime) -> str:
    clock = f"{now.astimezone(view.zone):%H:%M:%S}"
    if view.lost_at is None:
        return f"{clock}  {view.room or 'all rooms'}; Ctrl-C ends"
    since = f"{view.lost_at.astimezone(view.zone):%H:%M:%S}"
    return f"{clock}  NOT CONNECTED: what follows was so at {since} ({view.lost}); trying again"


def _rooms(view: View) -> list[str]:
    rows = sorted(view.rooms.values(), key=lambda row: (row["same"], row["room"]))
    return _table([(row["room"], row["words"]) for row in rows], ("ROOM", ""))


def _drift(view: View) -> list[str]:
    found = [
        (_clock(row["since"], view.zone), ", ".join(row["positions"]) or row["device"] or "-", _what(row))
        for row in sorted(view.drift, key=lambda row: str(row["since"]), reverse=True)
    ]
    return ["", *_table(found, ("SINCE", "DRIFT", ""))] if found else []


def _what(row: Document) -> str:
    return f"{row['words']}; probably {row['cause']}" if row["cause"] else str(row["words"])


def _notices(view: View) -> list[str]:
    rows = [(_clock(n["at"], view.zone), notice_line(n)) for n in view.notices]
    return ["", *_table(rows, ("NOTICE", ""))] if rows else []


def _table(rows: Sequence[show.Row], heads: show.Row) -> list[str]:
    lines: list[str] = []
    show.table(rows, heads, out=lines.append)
    return lines


def _cut(lines: list[str], most: int) -> list[str]:
    return lines if len(lines) <= most else [*lines[: most - 1], f"… {len(lines) - most + 1} lines more"]


def _clock(moment: str, zone: ZoneInfo) -> str:
    return f"{datetime.fromisoformat(moment).astimezone(zone):%m-%d %H:%M}"
