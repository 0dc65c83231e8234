"""Watching the devices: a table that is drawn anew when something changes, or lines where there is no terminal."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from typing import Final

from fleet.faces.cli import show
from fleet.faces.cli.clock import Clock
from fleet.faces.documents import Document
from fleet.model.listing import counted

LOOK_EVERY_S: Final = 1.0
_CLEAR: Final = "\x1b[H\x1b[2J\x1b[3J"
_SEEN: Final = ("id", "status", "model", "firmware", "positions", "life_safety", "conflict", "trouble", "faults")
"""What the table shows of a device."""


def watch(ask: Callable[[], Document], clock: Clock) -> None:
    """Show the devices that `ask` tells until a person presses Ctrl-C."""
    try:
        if sys.stdout.isatty():
            _draw(ask, clock)
        else:
            _tell(ask, clock)
    except KeyboardInterrupt:
        show.tell("")


def changes(before: Document, after: Document) -> Iterator[str]:
    """A line for each device whose status changed, that came, or that is not in the list any more."""
    was, now = _statuses(before), _statuses(after)
    for device in sorted(was.keys() | now.keys()):
        if was.get(device) != now.get(device):
            yield f"{device}: {was.get(device, 'not listed')} -> {now.get(device, 'not listed')}"
    if before["link_trouble"] != after["link_trouble"]:
        yield f"link to the devices: {after['link_trouble'] or 'works again'}"


def _draw(ask: Callable[[], Document], clock: Clock) -> None:
    drawn: Document | None = None
    while True:
        document = ask()
        if drawn is None or _shown(drawn) != _shown(document):
            sys.stdout.write(_CLEAR)
            show.devices(document, clock)
            show.say(f"last change {_now(clock)}; Ctrl-C ends")
            sys.stdout.flush()
            drawn = document
        time.sleep(LOOK_EVERY_S)


def _tell(ask: Callable[[], Document], clock: Clock) -> None:
    before = ask()
    show.tell(f"watching {counted(len(before['devices']), 'device')}; Ctrl-C ends")
    while True:
        time.sleep(LOOK_EVERY_S)
        after = ask()
        for line in changes(before, after):
            show.say(f"{_now(clock)} {line}")
        sys.stdout.flush()
        before = after


def _now(clock: Clock) -> str:
    now = datetime.now(UTC)
    return clock.time(now, now)


def _statuses(document: Document) -> dict[str, str]:
    return {row["id"]: row["status"] for row in document["devices"]}


def _shown(document: Document) -> object:
    rows = [[row[name] for name in _SEEN] for row in document["devices"]]
    return document["link_trouble"], document["counts"], rows
