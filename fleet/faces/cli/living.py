"""`fleet watch` as it runs: a screen on a terminal, lines anywhere else, or documents."""

from __future__ import annotations

import asyncio
import contextlib
import json
import shutil
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from fleet.errors import FleetError, NotFound
from fleet.faces.cli import show
from fleet.faces.cli.client import reach
from fleet.faces.cli.event_stream import events
from fleet.faces.cli.live_screen import screen
from fleet.faces.cli.live_view import MOST_NOTICES, View, line_of
from fleet.faces.documents import Document
from fleet.tasks import end

DRAW_EVERY_S: Final = 0.2
CLOCK_EVERY_S: Final = 1.0
_CLEAR: Final = "\x1b[H\x1b[2J\x1b[3J"

Show = Callable[[Document], None]


async def watch_live(home: Path, room: str | None, *, json_lines: bool) -> None:
    """Show what happens until cancelled. Raises what the daemon says where that is at the start."""
    _, _, before, _ = await asyncio.to_thread(_whole, home, room)
    view = View(room=room, notices=before["notices"])  # what was told before is not told as new
    if json_lines:
        await _follow(home, view, _document)
    elif sys.stdout.isatty():
        await _draw(home, view)
    else:
        await _follow(home, view, lambda event: _line(event, view))


async def _draw(home: Path, view: View) -> None:
    """Draw the screen anew when something happened, but not for each thing that did."""
    stirred = asyncio.Event()
    following = asyncio.create_task(_follow(home, view, lambda _: stirred.set()))
    try:
        while not following.done():
            size = shutil.get_terminal_size((80, 24))
            lines = screen(view, datetime.now(UTC), size.lines - 1)
            sys.stdout.write(_CLEAR + "\n".join(line[: size.columns] for line in lines) + "\n")
            sys.stdout.flush()
            stirred.clear()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(CLOCK_EVERY_S):
                    await stirred.wait()
            await asyncio.sleep(DRAW_EVERY_S)
        await following
    finally:
        await end(following)


async def _follow(home: Path, view: View, tell: Show) -> None:
    """Keep a view up to date, and tell what is new."""
    began = False
    async for event in events(lambda: reach(home)):
        kind = event["event"]
        new = view.concerns(event) and view.take(event, datetime.now(UTC))
        if new or not began or kind == "gap":
            tell(event)
        if kind == "gap" or (kind == "begin" and not began):
            with contextlib.suppress(FleetError):  # where it has ended again, that is told next
                for row in view.looked(*await asyncio.to_thread(_whole, home, view.room)):
                    tell(row)
                began = True


def _whole(home: Path, room: str | None) -> tuple[Document, Document, Document, Document]:
    """Status, rooms, notices and drift, as far as they are the caller's. Raises `NotFound` for a room that is none."""
    daemon = reach(home)
    rooms = daemon.get("/rooms")
    if room is not None and room not in {row["room"] for row in rooms["rooms"]}:
        raise NotFound(f"there is no room {room!r}", remedy="`fleet rooms` lists them.")
    session = daemon.get("/session")
    if session["role"] == "operator":  # is told of rooms alone
        none: Document = {"notices": [], "time_zone": session["time_zone"]}
        return {"link_trouble": ""}, rooms, none, {"episodes": []}
    notices = daemon.every("/notices", "notices", MOST_NOTICES, room=room)
    return daemon.get("/status"), rooms, notices, daemon.get("/drift")


def _line(event: Document, view: View) -> None:
    """Tell an event as a line: what happened on stdout, how the connection is beside it."""
    kind = event["event"]
    if kind in ("begin", "gap", "lost"):
        show.tell(line_of(event) + ("; Ctrl-C ends" if kind == "begin" else ""))
        return
    if kind == "drift":  # notices say what has to be said of it
        return
    now = datetime.now(UTC)
    show.say(f"{view.clock.time(event.get('at', now), now)} {line_of(event)}")
    sys.stdout.flush()


def _document(event: Document) -> None:
    sys.stdout.write(json.dumps(event, ensure_ascii=True) + "\n")
    sys.stdout.flush()
