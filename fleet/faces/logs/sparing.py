"""No flood fills the log: of lines that are alike only so many a minute are written, and the rest is counted."""

from __future__ import annotations

import logging
from collections import OrderedDict
from dataclasses import dataclass
from typing import Final

MOST_A_MINUTE: Final = 100
WINDOW_S: Final = 60.0
MOST_KINDS: Final = 1000
"""Kinds of lines that are counted at a time."""
LAST: Final = " (more lines like this one are left out for a minute)"


@dataclass(slots=True)
class _Window:
    since: float
    lines: int = 0


class Sparing(logging.Filter):
    """Lines are alike that come from one place of the program: of one logger, with one text before it is filled in.

    What is for debugging alone is not counted. One instance serves several handlers, which then write the same.
    """

    def __init__(self) -> None:
        super().__init__()
        self._windows: OrderedDict[tuple[str, str], _Window] = OrderedDict()

    def filter(self, record: logging.LogRecord) -> bool:
        """Whether the line is written. The last one before some are left out says so, the first after them how many."""
        if record.levelno < logging.INFO:
            return True
        spared = getattr(record, "is_spared", None)  # as another handler had it decided
        if spared is None:
            spared = record.is_spared = self._spared(record)
        return not spared

    def _spared(self, record: logging.LogRecord) -> bool:
        key = (record.name, str(record.msg)[:200])
        window = self._windows.get(key)
        if window is None or not 0 <= record.created - window.since < WINDOW_S:
            if window is not None and window.lines > MOST_A_MINUTE:
                record.left_out = f" ({window.lines - MOST_A_MINUTE} lines like this one were left out before it)"
            window = self._windows[key] = _Window(record.created)
        self._windows.move_to_end(key)
        if len(self._windows) > MOST_KINDS:
            self._windows.popitem(last=False)
        window.lines += 1
        if window.lines == MOST_A_MINUTE:
            record.left_out = f"{getattr(record, 'left_out', '')}{LAST}"
        return window.lines > MOST_A_MINUTE
