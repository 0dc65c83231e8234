"""Commands that say which device serves a position: bind, unbind."""

from __future__ import annotations

from typing import Annotated

import typer

from fleet.faces.cli import completing, options, show
from fleet.faces.cli.client import Daemon
from fleet.faces.cli.options import Home, InRoom, Json, Lift
from fleet.faces.documents import Document

EXPORT = "this version is in the database alone; `fleet files --to FOLDER` writes its files"

PlaceName = Annotated[
    str,
    typer.Argument(
        metavar="POSITION",
        help="ROOM/POSITION, or the position alone where there is one of that name.",
        autocompletion=completing.positions,
    ),
]
DeviceId = Annotated[str, typer.Argument(metavar="DEVICE", help="The device's id.", autocompletion=completing.devices)]


def bind(
    position: PlaceName,
    device: DeviceId,
    output: Annotated[int, typer.Option("--output", metavar="N", min=1, max=64, help="Output of the device.")] = 1,
    room: InRoom = None,
    allow: Lift = None,
    home: Home = None,
    json: Json = False,
) -> None:
    """Let a device serve a position. The room's file is edited in place and put in force.

    Example: fleet bind weir-hall/main-left box-0412
    """
    body = {
        "position": position,
        "device": device,
        "output": output,
        "room": room,
        "allow": allow or [],
        "who": options.who(),
    }
    daemon = options.daemon(home)
    document = daemon.post("/bindings", body)
    if json:
        options.print_json(document)
        return
    where = f"{document['room']}/{document['position']}"
    show.say(f"{where}: {document['device']}, output {document['output']}; version {document['version']} is in force")
    before = document["before"]
    if before["device"] != document["device"]:
        apply = f"`fleet apply {document['room']} --position {document['position']}` gives it its settings"
        show.table([("before:", f"{before['device']}, output {before['output']}"), ("next:", apply)], indent=2)
    _files(document, daemon)


def unbind(position: PlaceName, room: InRoom = None, home: Home = None, json: Json = False) -> None:
    """Take the device from a position. Refused, with what to do instead: a room file names one for every position.

    Example: fleet unbind weir-hall/main-left
    """
    body = {"position": position, "room": room, "who": options.who()}
    document = options.daemon(home).post("/bindings/remove", body)
    if json:
        options.print_json(document)


def _files(document: Document, daemon: Daemon) -> None:
    if document["folder"] and document["files"]:
        show.table([("written:", f"{', '.join(document['files'])} in {daemon.place(document['folder'])}")], indent=2)
    elif document["files"]:
        show.table([("not written:", EXPORT)], indent=2)
