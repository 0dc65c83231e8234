"""Durations as people write and read them: 90s, 2m, 1h30m."""

from __future__ import annotations

import re

from fleet.errors import BadInput

_WRITTEN = re.compile(r"(?:(\d{1,3})h)?(?:(\d{1,4})m)?(?:(\d{1,5})s)?")


def seconds_of(text: str, where: str) -> float:
    """Seconds of `90s`, `2m`, `1h30m`. Raises `BadInput` at `where` for anything else."""
    seconds = read_seconds(text.strip())
    if seconds is None:
        raise BadInput(f"{text!r} is no duration", where=where, remedy="Write 90s, 2m or 1h30m")
    return seconds


def read_seconds(text: str) -> float | None:
    """The same where something else may be written as well: `None` for that."""
    written = _WRITTEN.fullmatch(text)
    if not text or written is None:
        return None
    hours, minutes, seconds = (int(part or 0) for part in written.groups())
    return float(hours * 3600 + minutes * 60 + seconds)


def words_of(seconds: float) -> str:
    """`2 min`, `90 s`, `1 h 30 min`."""
    whole = round(seconds)
    if whole < 120:
        return f"{whole} s"
    hours, minutes, rest = whole // 3600, whole % 3600 // 60, whole % 60
    parts = [(hours, "h"), (minutes, "min"), (rest, "s")]
    return " ".join(f"{number} {unit}" for number, unit in parts if number)
