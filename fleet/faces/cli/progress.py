"""Following a change to its end, with a progress line on stderr where a person watches."""

from __future__ import annotations

import sys
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn

from fleet.faces.cli.client import Daemon, path

Document = dict[str, Any]
WAIT_S = 0.25
ORDER = ("planned", "staging", "committing", "verifying", "on trial", "keeping", "kept")


def follow(daemon: Daemon, change: str, *, or_trial: bool = False) -> Document:
    """The change once it has ended, or is on trial where that will do."""

    def ask(wait_s: float) -> Document:
        return daemon.get(path("changes", change), wait_s=wait_s, or_trial=or_trial or None)

    def rests(document: Document) -> bool:
        return bool(document["ended"] or (or_trial and document["state"] == "on trial"))

    if not sys.stderr.isatty():
        while not rests(document := ask(10)):
            pass
        return document
    columns = (TextColumn("{task.description}"), BarColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("planned", total=len(ORDER))
        while not rests(document := ask(WAIT_S)):
            state = document["state"]
            progress.update(task, description=state, completed=ORDER.index(state) if state in ORDER else 0)
        return document
