"""Commands of what is taken over with a room: one room in full, and the hand-over."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from fleet.faces.cli import completing, handover_folder, options, show_room
from fleet.faces.cli.client import path
from fleet.faces.cli.options import DIFFERS, SAME, Home, Json

RoomName = Annotated[str, typer.Argument(metavar="ROOM", help="The room.", autocompletion=completing.rooms)]
WITHIN_S = 900.0
"""A hand-over reads every device and draws every curve."""


def room(room: RoomName, home: Home = None, json: Json = False) -> None:
    """Show one room, position by position. That is by what its devices last told.

    Example: fleet room weir-hall
    """
    document = options.daemon(home).get(path("rooms", room))
    options.print_json(document) if json else show_room.room(document)
    options.end(SAME if document["same"] else DIFFERS)


def handover(
    room: Annotated[
        str | None,
        typer.Argument(metavar="ROOM", help="The room.", show_default=False, autocompletion=completing.rooms),
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="Folder to write to: empty, or not there.", show_default=False)
    ] = None,
    venue: Annotated[bool, typer.Option("--venue", help="The whole venue instead of a room.")] = False,
    replace: Annotated[bool, typer.Option("--replace", help="Write over an earlier hand-over in that folder.")] = False,
    note: Annotated[str, typer.Option("--note", help="What it is for.", show_default=False)] = "",
    home: Home = None,
    json: Json = False,
) -> None:
    """Write the papers that go with a room, to print and to sign. Every device is read for them.

    Example: fleet handover weir-hall --out handover/
    """
    if (room is None) != venue:
        raise typer.BadParameter("give a room, or --venue for all of them")
    if out is None:
        raise typer.BadParameter("--out names the folder to write to")
    handover_folder.may_write(out, replace=replace)  # before every device is read for it
    body = {"room": room, "who": options.who(), "note": note}
    document = options.daemon(home).post("/handovers", body, within_s=WITHIN_S)
    handover_folder.write(out, document["files"], replace=replace)
    written: dict[str, Any] = {**document, "files": sorted(document["files"]), "folder": str(out)}
    options.print_json(written) if json else show_room.handed_over(written)
