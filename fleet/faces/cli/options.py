"""Options that several commands share, and how a command ends."""

from __future__ import annotations

import getpass
import json
import os
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from fleet.faces.cli.client import Daemon, default_home, find

RoomName = Annotated[str, typer.Argument(help="The room.")]
Home = Annotated[
    Path | None,
    typer.Option("--home", envvar="FLEET_HOME", help="The daemon's folder.", show_default=False),
]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON document.")]
Group = Annotated[
    str | None, typer.Option("--group", metavar="GROUP", help="Only this group of the room.", show_default=False)
]
Position = Annotated[
    str | None,
    typer.Option(
        "--position", metavar="POSITION", help="Only this position (with its coherent set).", show_default=False
    ),
]
Without = Annotated[
    list[str] | None,
    typer.Option("--without", metavar="POSITION", help="Leave this position out; repeatable.", show_default=False),
]
Also = Annotated[
    list[str] | None,
    typer.Option(
        "--also", metavar="ROOM", help="A further room that a shared device may touch; repeatable.", show_default=False
    ),
]
Allow = Annotated[
    list[str] | None,
    typer.Option("--allow", metavar="GUARD", help="Lift this guard rail; repeatable.", show_default=False),
]
Yes = Annotated[bool, typer.Option("--yes", "-y", help="Do it without asking.")]
PlanOnly = Annotated[bool, typer.Option("--plan", help="Only show what would be done.")]
Why = Annotated[str, typer.Option("--why", metavar="TEXT", help="The reason, for the journal.", show_default=False)]

SAME, DIFFERS, TROUBLE = 0, 1, 2


def daemon(home: Path | None) -> Daemon:
    """The running daemon. Raises `NoDaemon`."""
    return find(home or default_home())


def who() -> str:
    """The person at the keyboard, for the journal."""
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return f"uid-{os.getuid()}"


def print_json(document: dict[str, Any]) -> None:
    """The document, alone on stdout."""
    json.dump(document, sys.stdout, indent=2, ensure_ascii=True)
    sys.stdout.write("\n")


def end(code: int) -> None:
    """End the command with an exit code of POSIX diff: 0 same or done, 1 differs, 2 trouble."""
    raise typer.Exit(code)
