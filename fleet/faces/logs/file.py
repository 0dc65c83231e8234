"""The log file in the daemon's home: owner only, bounded, each line numbered on from the last."""

from __future__ import annotations

import io
import json
import logging
import os
from collections.abc import Callable
from contextlib import suppress
from logging.handlers import RotatingFileHandler
from pathlib import Path

from fleet.faces.logs.lines import line_of

NAME = "log.jsonl"
LARGEST_BYTES = 2_000_000
KEPT_FILES = 3
OWNER_ONLY = 0o600


def log_files(home: Path) -> list[Path]:
    """The files that there can be, newest first."""
    return [home / NAME, *(home / f"{NAME}.{number}" for number in range(1, KEPT_FILES + 1))]


class LogFile(RotatingFileHandler):
    """Writes records as JSON lines; `number` rises by one a line, over rotations and restarts."""

    def __init__(self, home: Path, is_device: Callable[[str], bool]) -> None:
        """Raises `OSError` where the file cannot be opened."""
        self._is_device = is_device
        self._number = _last_number(home)
        super().__init__(home / NAME, maxBytes=LARGEST_BYTES, backupCount=KEPT_FILES, encoding="utf-8")

    def format(self, record: logging.LogRecord) -> str:
        """One JSON object on one line."""
        return json.dumps({"number": self._number + 1, **line_of(record, self._is_device)})

    def emit(self, record: logging.LogRecord) -> None:
        """Write a record, and count it."""
        super().emit(record)
        self._number += 1

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802  # the name is logging's
        """A full disk must not fill stderr as well: the line is lost, the daemon works on."""

    def _open(self) -> io.TextIOWrapper:
        file = os.open(
            self.baseFilename, os.O_RDWR | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC | os.O_NOFOLLOW, OWNER_ONLY
        )
        os.fchmod(file, OWNER_ONLY)
        _end_torn_line(file)
        return io.TextIOWrapper(io.FileIO(file, "a"), encoding="utf-8", write_through=True)


def _end_torn_line(file: int) -> None:
    """A line that a killed daemon left half written would take the next one with it."""
    with suppress(OSError):
        size = os.fstat(file).st_size
        if size and os.pread(file, 1, size - 1) != b"\n":
            os.write(file, b"\n")


def _last_number(home: Path) -> int:
    for path in log_files(home):
        try:
            lines = path.read_bytes().splitlines()
        except OSError:
            continue
        for text in reversed(lines):
            try:
                return int(json.loads(text)["number"])
            except (ValueError, KeyError, TypeError):
                continue
    return 0
