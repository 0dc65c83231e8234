"""The live view as the lines of a screen: rooms that are not right first, then drift, then notices."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Final

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
    drift_lines = _drift(view, now)
    notice_lines = _notices(view, now)
    left = max(LEAST_ROWS, rows) - len(lines)
    for part, share in ((room_lines, 2), (drift_lines, 2), (notice_lines, 1)):
        if part:
            taken = _cut(part, max(2, left // share))
            lines += taken
            left -= len(taken)
    return [shown(line, 1000) for line in lines][:rows]


def _head(view: View, now: datetime) -> str:
    clock = view.clock.time(now, now)
    if view.lost_at is None:
        return f"{clock}  {view.room or 'all rooms'}; Ctrl-C ends"
    since = view.clock.time(view.lost_at, now)
    return f"{clock}  NOT CONNECTED: what follows was so at {since} ({view.lost}); trying again"


def _rooms(view: View) -> list[str]:
    rows = sorted(view.rooms.values(), key=lambda row: (row["same"], row["room"]))
    return _table([(row["room"], row["words"]) for row in rows], ("ROOM", ""))


def _drift(view: View, now: datetime) -> list[str]:
    found = [
        (view.clock.time(row["since"], now, "minutes"), ", ".join(row["positions"]) or row["device"] or "-", _what(row))
        for row in sorted(view.drift, key=lambda row: str(row["since"]), reverse=True)
    ]
    return ["", *_table(found, ("SINCE", "DRIFT", ""))] if found else []


def _what(row: Document) -> str:
    return f"{row['words']}; probably {row['cause']}" if row["cause"] else str(row["words"])


def _notices(view: View, now: datetime) -> list[str]:
    rows = [(view.clock.time(n["at"], now, "minutes"), notice_line(n)) for n in view.notices]
    return ["", *_table(rows, ("NOTICE", ""))] if rows else []


def _table(rows: Sequence[show.Row], heads: show.Row) -> list[str]:
    lines: list[str] = []
    show.table(rows, heads, out=lines.append)
    return lines


def _cut(lines: list[str], most: int) -> list[str]:
    return lines if len(lines) <= most else [*lines[: most - 1], f"… {len(lines) - most + 1} lines more"]
