"""Waiting for what the daemon does, with a progress line on stderr where a person watches."""

from __future__ import annotations

import sys
from collections.abc import Callable

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn

from fleet.faces.cli.client import Daemon, path
from fleet.faces.documents import Document

WAIT_S, LONG_WAIT_S = 0.25, 10.0
"""How long a request waits where a person watches, and where nobody does."""
ORDER = ("planned", "staging", "committing", "verifying", "on trial", "keeping", "kept")


def follow(daemon: Daemon, change: str, *, or_trial: bool = False) -> Document:
    """The change once it has ended, or is on trial where that will do."""

    def ask(wait_s: float) -> Document:
        return daemon.get(path("changes", change), wait_s=wait_s, or_trial=or_trial or None)

    def rests(document: Document) -> bool:
        return bool(document["ended"] or (or_trial and document["state"] == "on trial"))

    def told(document: Document) -> tuple[str, int]:
        state = document["state"]
        return state, ORDER.index(state) if state in ORDER else 0

    return watched(ask, rests, told, total=len(ORDER), first=ORDER[0])


def watched(
    ask: Callable[[float], Document],
    rests: Callable[[Document], bool],
    told: Callable[[Document], tuple[str, int]],
    *,
    total: int,
    first: str = "",
) -> Document:
    """What is asked for, once it rests. `ask` is given seconds to wait for that.

    `told` says what goes on, `first` standing there before it, and how much of the total is behind.
    """
    if not sys.stderr.isatty():
        while not rests(document := ask(LONG_WAIT_S)):
            pass
        return document
    columns = (TextColumn("{task.description}"), BarColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task(first, total=total)
        while not rests(document := ask(WAIT_S)):
            description, behind = told(document)
            progress.update(task, description=description, completed=behind)
        return document
