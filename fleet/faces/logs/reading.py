"""Reading the log back: the newest lines that are asked for, in the order in which they were written."""

from __future__ import annotations

import json
import logging
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from fleet.faces.logs.file import log_files
from fleet.faces.logs.lines import Line


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Which lines: of at least this level, written since then, of this change, after this number; the last `most`."""

    level: str = "debug"
    since: datetime | None = None
    change: str | None = None
    after: int | None = None
    most: int = 200


def read_log(home: Path, wanted: Wanted) -> tuple[list[Line], int]:
    """The lines, oldest first, and the number of the last line of all, to go on after."""
    least = logging.getLevelNamesMapping()[wanted.level.upper()]
    found: list[Line] = []
    last = wanted.after or 0
    for line in _backwards(home):
        last = max(last, line["number"])
        if (wanted.after is not None and line["number"] <= wanted.after) or len(found) >= wanted.most:
            break
        if wanted.since is not None and datetime.fromisoformat(line["time"]) < wanted.since:
            break
        if logging.getLevelNamesMapping().get(line["level"].upper(), 0) < least:
            continue
        if wanted.change is None or line.get("change") == wanted.change:
            found.append(line)
    return found[::-1], last


def _backwards(home: Path) -> Iterator[Line]:
    """Whole lines, newest first; what is none (cut short by a crash) is passed over."""
    for path in log_files(home):
        try:
            texts = path.read_bytes().splitlines()
        except OSError:
            continue
        for text in reversed(texts):
            try:
                line = json.loads(text)
                datetime.fromisoformat(line["time"])
                whole = isinstance(line["number"], int) and isinstance(line["level"], str)
            except (ValueError, KeyError, TypeError):
                continue
            if whole:
                yield line
