"""The command import: a spreadsheet of positions into the files of a venue folder."""

from __future__ import annotations

import difflib
import json as json_text
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fleet.desired.folder import read_folder
from fleet.desired.sheet import MOST_BYTES
from fleet.desired.sheet_columns import COLUMNS
from fleet.desired.sheet_rows import Serials
from fleet.desired.writing import write_files
from fleet.errors import BadInput, NoDaemon
from fleet.faces.cli import options, show
from fleet.faces.cli.options import Home, Json
from fleet.faces.documents import Document
from fleet.model.listing import counted

if TYPE_CHECKING:  # brings numpy, which takes its time
    from fleet.desired.importing import Imported


def import_(
    file: Annotated[
        Path | None, typer.Argument(metavar="FILE", help="The sheet, saved as CSV in UTF-8.", show_default=False)
    ] = None,
    folder: Annotated[
        Path | None, typer.Option("--folder", help="The venue folder to write into.", show_default=False)
    ] = None,
    inventory: Annotated[
        Path | None,
        typer.Option(
            "--inventory",
            metavar="FILE",
            help="What `fleet devices --json` printed, to find devices by serial; else the running daemon is asked.",
            show_default=False,
        ),
    ] = None,
    plan: Annotated[bool, typer.Option("--plan", help="Only show what would be written.")] = False,
    columns: Annotated[bool, typer.Option("--columns", help="Print the columns that a sheet may have.")] = False,
    home: Home = None,
    json: Json = False,
) -> None:
    """Write rooms from a spreadsheet into a venue folder. Nothing is written unless all is right.

    A row is a position. Rooms that are there are extended in place; an empty cell leaves what the file says.

    Example: fleet import boxes.csv --folder venue/ --plan
    """
    if columns:
        _columns(json=json)
        return
    if file is None or folder is None:
        raise typer.BadParameter("name the sheet and its venue folder: `fleet import FILE.csv --folder FOLDER`")
    from fleet.desired.importing import imported  # noqa: PLC0415 - brings numpy, which takes its time

    before = read_folder(folder)
    result = imported(str(file), _bytes(file, MOST_BYTES + 1), before, _serials(inventory, home))
    if not plan:
        write_files(folder, result.files)
    if json:
        options.print_json(_document(result, written=not plan))
    elif plan:
        _changes(before, result.files)
    else:
        _written(result, folder)


def _columns(*, json: bool) -> None:
    rows = [{"name": one.name, "unit": one.unit, "example": one.example, "what": one.what} for one in COLUMNS.values()]
    if json:
        options.print_json({"format": "fleet-import-columns/1", "columns": rows})
        return
    show.table([[row[key] for key in row] for row in rows], ("COLUMN", "UNIT", "EXAMPLE", "WHAT"))


def _bytes(file: Path, most: int) -> bytes:
    try:
        with file.open("rb") as opened:
            return opened.read(most)
    except OSError as error:
        raise BadInput(f"cannot be read: {error.strerror}", where=str(file)) from None


def _serials(inventory: Path | None, home: Path | None) -> Serials | None:
    """Devices by serial: of an inventory that was saved, else of the daemon, if one runs."""
    if inventory is not None:
        try:
            document = json_text.loads(_bytes(inventory, 100_000_000))
            pairs = [(str(row["serial"]), str(row["id"])) for row in document["devices"]]
        except (ValueError, KeyError, TypeError):
            remedy = "`fleet devices --json > FILE` writes one"
            raise BadInput("is no inventory", where=str(inventory), remedy=remedy) from None
        return _by_serial(pairs)
    try:
        document = options.daemon(home).every("/devices", "devices")
    except NoDaemon:
        return None
    return _by_serial((row["serial"], row["id"]) for row in document["devices"])


def _by_serial(pairs: Iterable[tuple[str, str]]) -> Serials:
    found: dict[str, tuple[str, ...]] = {}
    for serial, device in pairs:
        if serial:
            found[serial] = (*found.get(serial, ()), device)
    return found


def _document(result: Imported, *, written: bool) -> Document:
    return {
        "format": "fleet-import/1",
        "written": written,
        "new_rooms": list(result.new_rooms),
        "rooms": {room: list(positions) for room, positions in result.rooms.items()},
        "files": dict(result.files),
    }


def _changes(before: Mapping[str, str], files: Mapping[str, str]) -> None:
    """What would change, line by line."""
    for path, text in files.items():
        was = before.get(path)
        show.say(f"{path}{' (new)' if was is None else ''}:")
        if was is None:
            lines = text.splitlines()
        else:
            lines = list(difflib.unified_diff(was.splitlines(), text.splitlines(), "", "", n=1, lineterm=""))[2:]
        for line in lines:
            show.say(f"  {line}")
    if not files:
        show.say("nothing to write: the files say this already")


def _written(result: Imported, folder: Path) -> None:
    positions = sum(len(names) for names in result.rooms.values())
    new = f" ({len(result.new_rooms)} new)" if result.new_rooms else ""
    show.say(f"{counted(positions, 'position')} of {counted(len(result.rooms), 'room')}{new}")
    if not result.files:
        show.say("nothing written: the files say this already")
        return
    show.say(f"{counted(len(result.files), 'file')} written to {folder}; `fleet load {folder}` puts it in force")
