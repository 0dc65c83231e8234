"""Commands for whoever keeps the daemon running: config, log."""

from __future__ import annotations

import json as json_text
import sys
import time
from pathlib import Path
from typing import Annotated

import typer

from fleet.errors import NoDaemon
from fleet.faces.cli import completing, options, show
from fleet.faces.cli.client import Daemon, default_home, find, signed_in_to
from fleet.faces.cli.clock import Clock
from fleet.faces.cli.config_file import NAME
from fleet.faces.cli.configuration import config_document, settle
from fleet.faces.cli.daemon_config import LogLevel
from fleet.faces.cli.options import ConfigFile, Home, Json, Since
from fleet.faces.cli.sign_in_file import read_sign_in
from fleet.faces.documents import Document

FOLLOW_EVERY_S = 0.5


def config(config: ConfigFile = None, home: Home = None, json: Json = False) -> None:
    """Show every setting in force, and where it came from. The running daemon's, or what one started now would use.

    Example: fleet config
    """
    at = home or default_home()
    if (sign_in := read_sign_in(at)) is not None:
        if config is not None:
            options.here(home, "config --config")
        document = signed_in_to(sign_in).get("/config")
        options.print_json(document) if json else _show_settings(document)
        return
    settled = settle(at, {}, config)  # a mistake in the file is told even while a daemon runs on what it read before
    document = (_of_daemon(at) if config is None else None) or config_document(settled)
    if json:
        options.print_json(document)
        return
    _show_settings(document)
    next_start = {row["name"]: row for row in config_document(settled)["settings"]}
    for row in document["settings"]:
        later = next_start.get(row["name"], row)
        if row["source"] != "option" and later["value"] != row["value"]:
            show.tell(f"{row['name']} is {later['value'] or '-'} from the next start on ({later['source']})")
    show.tell(f"options come first, then the environment (FLEET_NAME), then {at / NAME}")


def _show_settings(document: Document) -> None:
    rows = [(row["name"], row["value"] or "-", row["source"]) for row in document["settings"]]
    show.table(rows, ("SETTING", "VALUE", "FROM"))


def _of_daemon(home: Path) -> Document | None:
    try:
        return find(home).get("/config")
    except NoDaemon:
        return None


def log(
    follow: Annotated[bool, typer.Option("--follow", "-f", help="Go on with new lines until stopped.")] = False,
    level: Annotated[LogLevel, typer.Option("--level", help="Only lines at least this grave.")] = "info",
    since: Since = "",
    change: Annotated[
        str | None,
        typer.Option(
            "--change",
            metavar="CHANGE",
            help="Only lines of this change.",
            show_default=False,
            autocompletion=completing.changes,
        ),
    ] = None,
    lines: Annotated[int, typer.Option("--lines", min=1, max=10_000, help="At most so many, the newest.")] = 200,
    home: Home = None,
    json: Json = False,
) -> None:
    """Show what the daemon logged. With --json and --follow, each new line is an object on a line of its own.

    Example: fleet log --since 2h --level warning
    """
    daemon = options.daemon(home)
    clock = daemon.clock()
    asked = {"level": level, "change": change}
    document = daemon.get("/log", **asked, since=clock.since(since), most=lines)
    if json and not follow:
        options.print_json(document)
        return
    _print(document, clock, json=json)
    if follow:
        _follow(daemon, clock, asked, document["last"], json=json)


def _follow(daemon: Daemon, clock: Clock, asked: Document, last: int, *, json: bool) -> None:
    while True:
        time.sleep(FOLLOW_EVERY_S)
        document = daemon.get("/log", **asked, after=last, most=10_000)
        last = document["last"]
        _print(document, clock, json=json)


def _print(document: Document, clock: Clock, *, json: bool) -> None:
    for line in document["lines"]:
        if json:
            sys.stdout.write(json_text.dumps(line) + "\n")
            continue
        first, *more = [*line["message"].splitlines(), *str(line.get("trace", "")).splitlines()] or [""]
        show.say(f"{clock.told(line['time'], 'seconds')}  {line['level']:<7}  {first}")
        for part in more:
            show.say(f"    {part}")
    sys.stdout.flush()
