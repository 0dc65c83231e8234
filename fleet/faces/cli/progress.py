"""Following a change to its end, with a progress line on stderr where a person watches."""

from __future__ import annotations

import sys
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn

from fleet.faces.cli.client import Daemon, path

Document = dict[str, Any]
WAIT_S = 0.25
ORDER = ("planned", "staging", "committing", "verifying", "keeping", "kept")


def follow(daemon: Daemon, change: str) -> Document:
    """The change once it has ended."""
    if not sys.stderr.isatty():
        while not (document := daemon.get(path("changes", change), wait_s=10))["ended"]:
            pass
        return document
    columns = (TextColumn("{task.description}"), BarColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("planned", total=len(ORDER))
        while not (document := daemon.get(path("changes", change), wait_s=WAIT_S))["ended"]:
            state = document["state"]
            progress.update(task, description=state, completed=ORDER.index(state) if state in ORDER else 0)
        return document
