"""Commands that write the venue's files: capture, files."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Annotated

import typer

from fleet.desired.folder import VENUE_FILE, read_folder
from fleet.desired.writing import refuse_other_files, write_files
from fleet.errors import BadInput
from fleet.faces.cli import completing, options, show
from fleet.faces.cli.client import Daemon
from fleet.faces.cli.options import DIFFERS, SAME, Home, Json
from fleet.faces.documents import Document
from fleet.model.listing import counted

MOST_NAMED = 6
EXPORT = "`fleet files --to FOLDER` writes its files to a folder"


def capture(
    room: options.RoomName,
    devices: Annotated[
        list[str] | None,
        typer.Option(
            "--devices",
            metavar="DEVICE,…",
            help="These devices; DEVICE=POSITION names the position. Repeatable.",
            show_default=False,
            autocompletion=completing.devices,
        ),
    ] = None,
    all_unbound: Annotated[
        bool, typer.Option("--all-unbound", help="Every device that answers and has no position.")
    ] = False,
    into: Annotated[
        str | None,
        typer.Option(
            "--into",
            metavar="FILE",
            help="The room's file, as in rooms/NAME.yaml; needed for a room that is there.",
            show_default=False,
        ),
    ] = None,
    folder: Annotated[
        Path | None,
        typer.Option("--folder", help="Write the file to this venue folder, too.", show_default=False),
    ] = None,
    plan: Annotated[bool, typer.Option("--plan", help="Only show the file that would be written.")] = False,
    why: options.Why = "",
    home: Home = None,
    json: Json = False,
) -> None:
    """Write what devices report now as the desired state of a room. Settings they share are written once.

    A room that is there is edited in place: its comments and its order stay.

    Example: fleet capture cellar --devices box-0412,box-0413
    """
    names, called = _devices(devices or [])
    if bool(names) == all_unbound:
        raise typer.BadParameter("name devices with --devices, or take --all-unbound")
    body: Document = {
        "room": room,
        "devices": names,
        "all_unbound": all_unbound,
        "into": into,
        "called": called,
        "who": options.who(),
    }
    daemon = options.daemon(home)
    if plan:
        document = daemon.post("/capture/plan", body)
    else:
        beside = read_folder(folder) if folder else None
        document = daemon.post("/capture", {**body, "note": why, "beside": beside})
        if folder:
            write_files(folder, document["files"])
    if json:
        options.print_json(document)
    elif plan:
        for line in document["text"].rstrip("\n").split("\n"):
            show.say(line)
        _remarks(document, show.tell)
    else:
        _captured(document, folder, daemon)
        _remarks(document, show.say)
    options.end(DIFFERS if document["against"] or document["differences"] else SAME)


def files(
    to: Annotated[
        Path | None,
        typer.Option("--to", metavar="FOLDER", help="Write them to this folder.", show_default=False),
    ] = None,
    home: Home = None,
    json: Json = False,
) -> None:
    """List the files in force. With --to they are written to a folder, where no other file is overwritten.

    Example: fleet files --to venue/
    """
    daemon = options.daemon(home)
    document = daemon.get("/files")
    written: tuple[str, ...] = ()
    if to is not None:
        there = read_folder(to) if (to / VENUE_FILE).exists() else {}
        refuse_other_files(to, there, document["files"])
        write_files(to, document["files"])
        written = tuple(document["files"])
    if json:
        options.print_json(document)
        return
    note = f": {document['note']}" if document["note"] else ""
    at = daemon.clock().told(document["at"])
    show.say(f"version {document['version']} ({document['sha256'][:12]}), {at} by {document['who']}{note}")
    show.table([(path, counted(text.count("\n"), "line")) for path, text in document["files"].items()], indent=2)
    if written:
        show.say(f"{counted(len(written), 'file')} written to {to}")


def _devices(typed: list[str]) -> tuple[list[str], dict[str, str]]:
    """Devices, and what their positions are to be called where that is said."""
    names: list[str] = []
    called: dict[str, str] = {}
    for word in ",".join(typed).split(","):
        device, equals, position = word.strip().partition("=")
        if not device and not equals:
            continue
        if not device or (equals and not position):
            raise BadInput(f"{word!r} is not DEVICE or DEVICE=POSITION", where="--devices")
        names.append(device)
        if equals:
            called[device] = position
    return names, called


def _captured(document: Document, folder: Path | None, daemon: Daemon) -> None:
    devices = {p["device"] for p in document["positions"]}
    what = f"{counted(len(document['positions']), 'position')} of {counted(len(devices), 'device')}"
    show.say(f"{document['room']}: {what} captured; version {document['version']} is in force")
    theirs = daemon.place(document["folder"]) if document["folder"] else None
    places = [place for place in (theirs, str(folder) if folder else None) if place]
    for place in dict.fromkeys(places):
        show.table([("written:", f"{document['file']} in {place}")], indent=2)
    if not places:
        show.table([("not written:", f"this version is in the database alone; {EXPORT}")], indent=2)


def _remarks(document: Document, out: Callable[[str], None]) -> None:
    """What was left out or is to be looked at."""
    rows = [("note:", words) for words in _gathered(document["notes"], "position")]
    rows += [("left out:", words) for words in _gathered(document["skipped"], "device")]
    rows += [("refused:", words) for words in document["against"]]
    rows += [("still differs:", words) for words in _gathered(document["differences"], "position")]
    show.table(rows, indent=2, out=out)


def _gathered(remarks: Iterable[Document], of: str) -> Iterator[str]:
    """One sentence for all that it is said of."""
    names: dict[str, list[str]] = {}
    for remark in remarks:
        names.setdefault(remark["words"], []).append(remark[of])
    for words, some in names.items():
        more = f" and {len(some) - MOST_NAMED} more" if len(some) > MOST_NAMED else ""
        yield f"{', '.join(some[:MOST_NAMED])}{more}: {words}"
