"""Options that several commands share, and how a command ends."""

from __future__ import annotations

import getpass
import json
import os
import sys
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer

from fleet.errors import Refused
from fleet.faces.cli import completing
from fleet.faces.cli.client import Daemon, default_home, reach
from fleet.faces.cli.sign_in_file import read_sign_in

RoomName = Annotated[str, typer.Argument(metavar="ROOM", help="The room.", autocompletion=completing.rooms)]
OneRoom = Annotated[
    str | None, typer.Argument(metavar="ROOM", help="The room.", show_default=False, autocompletion=completing.rooms)
]
EveryRoom = Annotated[
    bool, typer.Option("--every-room", help="Every room of the venue, one after another, each all or nothing.")
]
StopAfter = Annotated[
    int | None,
    typer.Option(
        "--stop-after",
        metavar="N",
        min=1,
        help="With --every-room: begin no further room once so many devices failed, were unreachable or late.",
        show_default="1",
    ),
]
Home = Annotated[
    Path | None,
    typer.Option("--home", envvar="FLEET_HOME", help="The daemon's folder.", show_default=False),
]
ConfigFile = Annotated[
    Path | None,
    typer.Option("--config", metavar="FILE", help="The configuration.", show_default="config.toml in --home"),
]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON document.")]
Group = Annotated[
    str | None,
    typer.Option(
        "--group",
        metavar="GROUP",
        help="Only this group of the room.",
        show_default=False,
        autocompletion=completing.groups,
    ),
]
Position = Annotated[
    str | None,
    typer.Option(
        "--position",
        metavar="POSITION",
        help="Only this position (with its coherent set).",
        show_default=False,
        autocompletion=completing.positions,
    ),
]
Without = Annotated[
    list[str] | None,
    typer.Option(
        "--without",
        metavar="POSITION",
        help="Leave this position out; repeatable.",
        show_default=False,
        autocompletion=completing.positions,
    ),
]
Also = Annotated[
    list[str] | None,
    typer.Option(
        "--also",
        metavar="ROOM",
        help="A further room that a shared device may touch; repeatable.",
        show_default=False,
        autocompletion=completing.rooms,
    ),
]
Mode = Annotated[
    str | None,
    typer.Option(
        "--mode",
        metavar="NAME",
        help="The mode of the room; `house` is the room without modes.",
        show_default=False,
        autocompletion=completing.modes,
    ),
]
Allow = Annotated[
    list[str] | None,
    typer.Option(
        "--allow",
        metavar="GUARD",
        help="Lift this guard rail, by the name that the plan gives; repeatable.",
        show_default=False,
    ),
]
KeepWithin = Annotated[
    str,
    typer.Option(
        "--keep-within",
        metavar="TIME",
        help="On trial: goes back by itself unless `fleet keep` comes within this time (2m, 90s, 1h).",
        show_default=False,
    ),
]
InRoom = Annotated[
    str | None,
    typer.Option(
        "--room", metavar="ROOM", help="The position's room.", show_default=False, autocompletion=completing.rooms
    ),
]
Lift = Annotated[
    list[str] | None,
    typer.Option(
        "--allow",
        metavar="GUARD",
        help="Do it all the same: retired; for a swap also lesser, rise. Repeatable.",
        show_default=False,
    ),
]
ChangeId = Annotated[
    str,
    typer.Argument(
        metavar="CHANGE", help="The change's id; `fleet changes` lists them.", autocompletion=completing.changes
    ),
]
Since = Annotated[
    str,
    typer.Option(
        "--since",
        metavar="TIME",
        help="2h, 90m, or a time of the venue's clock, as 2031-05-01T19:00.",
        show_default=False,
    ),
]
Yes = Annotated[bool, typer.Option("--yes", "-y", help="Do it without asking.")]
PlanOnly = Annotated[bool, typer.Option("--plan", help="Only show what would be done.")]
Why = Annotated[str, typer.Option("--why", metavar="TEXT", help="The reason, for the journal.", show_default=False)]

SAME, DIFFERS, TROUBLE = 0, 1, 2


def daemon(home: Path | None) -> Daemon:
    """The daemon that this home's commands are for, here or elsewhere. Raises `NoDaemon`."""
    return reach(home or default_home())


def here(home: Path | None, command: str) -> Path:
    """The home, for a command that needs the daemon's own machine. Raises `Refused` where the daemon is elsewhere."""
    at = home or default_home()
    if (sign_in := read_sign_in(at)) is not None:
        what = f"`fleet {command}` is for the machine of the daemon, and this home is signed in to {sign_in.url}"
        raise Refused(what, remedy="Run it there, or name another home with --home.")
    return at


def caller(of: Daemon) -> str:
    """What a daemon calls whoever gives this command."""
    return who() if of.sign_in is None else of.sign_in.name


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


def end(code: int) -> NoReturn:
    """End the command with an exit code of POSIX diff: 0 same or done, 1 differs, 2 trouble."""
    raise typer.Exit(code)
