"""Commands of the venue: load, rooms, check, diff."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from fleet.desired.folder import read_folder
from fleet.errors import NoDaemon
from fleet.faces import check_documents
from fleet.faces.cli import completing, options, show, show_checks
from fleet.faces.cli.client import default_home, path
from fleet.faces.cli.options import DIFFERS, SAME, Group, Home, Json, Position, Why
from fleet.faces.cli.sign_in_file import read_sign_in
from fleet.model.days import HOUSE_MODE
from fleet.model.listing import counted


def load(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="The venue folder: venue.yaml and rooms/NAME.yaml.")],
    allow: Annotated[
        list[str] | None,
        typer.Option(
            "--allow",
            metavar="WORD",
            help="Take a version that is `older`, `empty` or `smaller`; repeatable.",
            show_default=False,
        ),
    ] = None,
    home: Home = None,
    json: Json = False,
) -> None:
    """Put a venue folder in force as the desired state.

    Example: fleet load venue/
    """
    files = read_folder(folder)
    body = {"files": files, "who": options.who(), "allow": allow or []}
    document = options.daemon(home).post("/versions", body)
    if json:
        options.print_json(document)
    else:
        word = "was in force already" if document["unchanged"] else "is in force"
        show.say(
            f"{document['venue']}: {counted(document['rooms'], 'room')}, "
            f"{counted(document['positions'], 'position')}; "
            f"version {document['version']} ({document['sha256'][:12]}) {word}"
        )


def rooms(home: Home = None, json: Json = False) -> None:
    """List the rooms, and whether each is as it should be. That is by what its devices last told.

    Example: fleet rooms
    """
    document = options.daemon(home).get("/rooms")
    if json:
        options.print_json(document)
    else:
        rows = [
            (r["room"], str(r["positions"]), r["words"] + _in_mode(r) + _taken(r["hold"]) + _taken(r["guest"]))
            for r in document["rooms"]
        ]
        show.table(rows, ("ROOM", "POSITIONS", "STATE"))
    options.end(SAME if all(r["same"] for r in document["rooms"]) else DIFFERS)


def check(
    folder: Annotated[
        Path | None,
        typer.Argument(metavar="FOLDER", help="A venue folder; without one, the version in force.", show_default=False),
    ] = None,
    explain: Annotated[
        str | None,
        typer.Option("--explain", metavar="NAME", help="Tell what a check looks for, and why.", show_default=False),
    ] = None,
    everything: Annotated[bool, typer.Option("--list", help="Name all checks.")] = False,
    home: Home = None,
    json: Json = False,
) -> None:
    """Find mistakes before any sound is made. With a daemon, against the devices' abilities too.

    Example: fleet check venue/
    """
    if explain is not None or everything:
        document = _described(explain)
        if json:
            options.print_json(document)
        elif explain is None:
            show_checks.listed(document)
        else:
            show_checks.explained(document)
        options.end(SAME)
    files = read_folder(folder) if folder else None
    try:
        document = options.daemon(home).post("/check", {"files": files})
    except NoDaemon:
        if files is None:
            raise
        words = "the daemon cannot be reached" if read_sign_in(home or default_home()) else "no daemon is running"
        show.tell(f"{words}: checked without the devices' abilities")
        document = _checked_here(files)
    if json:
        options.print_json(document)
    else:
        show_checks.findings(document)
    counts = document["counts"]
    options.end(DIFFERS if counts.get("error") or counts.get("warning") else SAME)


def _described(name: str | None) -> dict[str, Any]:
    """What is to be known of all checks, or of one."""
    from fleet.desired.check import CHECKS, named  # noqa: PLC0415 - brings numpy, which takes its time

    return check_documents.checks(CHECKS.values() if name is None else [named(name)])


def _checked_here(files: dict[str, str]) -> dict[str, Any]:
    """The findings as they are without a daemon."""
    from fleet.desired.check import check as check_version  # noqa: PLC0415 - as above
    from fleet.desired.load import load as load_files  # noqa: PLC0415 - as above

    return check_documents.check(check_version(load_files(files), {}, lambda _p, _d: ()))


def diff(
    room: Annotated[
        str | None,
        typer.Argument(
            metavar="ROOM", help="A room; without one, the venue.", show_default=False, autocompletion=completing.rooms
        ),
    ] = None,
    group: Group = None,
    position: Position = None,
    everything: Annotated[bool, typer.Option("--all", help="Slight differences and notes too.")] = False,
    home: Home = None,
    json: Json = False,
) -> None:
    """Compare what devices report now with what is desired. Exit code 0: the same; 1: it differs; 2: trouble.

    Example: fleet diff weir-hall --group mains
    """
    if room is None and (group or position):
        raise typer.BadParameter("--group and --position need a room")
    document = options.daemon(home).get("/diff", room=room, group=group, position=position)
    if json:
        options.print_json(document)
    else:
        show.differences(document, everything=everything)
    options.end(SAME if document["same"] else DIFFERS)


def hold(
    room: options.RoomName,
    until: Annotated[str, typer.Option("--until", help="2h, 90m, or 23:30 or 2031-05-17T23:30 on the venue's clock.")],
    why: Why = "",
    home: Home = None,
    json: Json = False,
) -> None:
    """Put a room on hold while a show is running. Nothing in it is changed until then.

    Example: fleet hold weir-hall --until 23:30 --why "evening performance"
    """
    body = {"who": options.who(), "until": until, "why": why}
    document = options.daemon(home).post(path("rooms", room, "hold"), body)
    if json:
        options.print_json(document)
    else:
        show.say(f"{document['room']} is on hold until {document['until_local']}")


def release(room: options.RoomName, home: Home = None, json: Json = False) -> None:
    """Release a room that is on hold.

    Example: fleet release weir-hall
    """
    daemon = options.daemon(home)
    document = daemon.post(path("rooms", room, "release"), {"who": options.who()})
    if json:
        options.print_json(document)
    else:
        held = document["held"]
        whose = "" if held["who"] == options.caller(daemon) else f"; {held['who']} held it until {held['until_local']}"
        show.say(f"{room} is released{whose}{': ' + held['why'] if whose and held['why'] else ''}")


def _in_mode(room: dict[str, str]) -> str:
    return f"; in mode {room['mode']}" if room["mode"] != HOUSE_MODE else ""


def _taken(hold_or_guest: dict[str, str] | None) -> str:
    return f"; {hold_or_guest['words']}" if hold_or_guest else ""
