"""What is said of a log record: time, level, logger, message, and the change and device that it is about."""

from __future__ import annotations

import json
import logging
import re
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from fleet.faces.secrets import without_secrets
from fleet.model.names import ID_PATTERN, shown
from fleet.model.venue_time import on_the_clock

Line = dict[str, Any]

LONGEST_MESSAGE = 4000
LONGEST_TRACE = 16000

_CHANGE = re.compile(r"\bc-[0-9a-f]{8}\b")
_DEVICE = re.compile(ID_PATTERN)


def line_of(record: logging.LogRecord, is_device: Callable[[str], bool]) -> Line:
    """A record as plain data without secrets. `change` and `device` are there where they are known.

    They are those that the record names itself (`extra`), or the change whose id the message has and the one argument
    that is a device's id.
    """
    message = without_secrets(record.getMessage()) + str(getattr(record, "left_out", ""))
    line: Line = {
        "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z"),
        "level": record.levelname.lower(),
        "logger": record.name,
        "message": message[:LONGEST_MESSAGE],
    }
    if change := getattr(record, "change", None) or _change(message):
        line["change"] = str(change)
    if device := getattr(record, "device", None) or _device(record, is_device):
        line["device"] = str(device)
    if record.exc_info and record.exc_info[0] is not None:
        line["trace"] = without_secrets(logging.Formatter().formatException(record.exc_info))[-LONGEST_TRACE:]
    return line


class JsonLines(logging.Formatter):
    """Each record as one JSON object on one line."""

    def __init__(self, is_device: Callable[[str], bool]) -> None:
        super().__init__()
        self._is_device = is_device

    def format(self, record: logging.LogRecord) -> str:
        """One line, ASCII, whatever the message holds."""
        return json.dumps(line_of(record, self._is_device))


class TextLines(logging.Formatter):
    """Each record as text for a person: the time on the venue's clock, the level, the message; safe for a terminal."""

    def __init__(self, zone: Callable[[], ZoneInfo]) -> None:
        super().__init__()
        self._zone = zone

    def format(self, record: logging.LogRecord) -> str:
        """A line for each line of the message, and of the trace where there is one; all but the first are set in.

        So no text can pass for a line of its own.
        """
        line = line_of(record, lambda _: False)
        parts = [*line["message"].splitlines(), *str(line.get("trace", "")).splitlines()]
        safe = [shown(part, LONGEST_MESSAGE) for part in parts] or [""]
        at = on_the_clock(datetime.fromtimestamp(record.created, UTC), self._zone(), "milliseconds")
        return f"{at} {line['level']} " + "\n    ".join(safe)


def _change(message: str) -> str | None:
    found = _CHANGE.search(message)
    return found[0] if found else None


def _device(record: logging.LogRecord, is_device: Callable[[str], bool]) -> str | None:
    arguments = record.args if isinstance(record.args, tuple) else ()
    return next((a for a in arguments if isinstance(a, str) and _DEVICE.fullmatch(a) and is_device(a)), None)
