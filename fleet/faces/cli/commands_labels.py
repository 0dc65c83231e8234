"""The command labels: sheets of labels for the boxes of a room."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path
from typing import Annotated, Any, Final
from urllib.parse import quote, urlsplit

import typer

from fleet.desired.wording import hint
from fleet.errors import BadInput, NotFound
from fleet.faces import labels as printed
from fleet.faces.cli import options, show
from fleet.faces.cli.options import Home, Json
from fleet.faces.labels import Label
from fleet.model.listing import counted
from fleet.model.names import shown
from fleet.model.venue import Position, Room, Venue

LONGEST_URL: Final = 300
WEB_PAGE: Final = re.compile(r"https?://[!\"$->@-~]+")
"""Printable ASCII; a query or a fragment would swallow what is put behind it."""
HERE: Final = ("127.0.0.1", "localhost", "::1")
FORMATS: Final = (".html", ".svg")


def labels(
    room: options.OneRoom = None,
    every_room: Annotated[bool, typer.Option("--every-room", help="Every room of the venue.")] = False,
    out: Annotated[
        Path | None,
        typer.Option("--out", "-o", metavar="FILE", help="FILE.html, or FILE.svg for one a sheet.", show_default=False),
    ] = None,
    url: Annotated[
        str,
        typer.Option(
            "--url",
            metavar="URL",
            help="Where phones reach the daemon: a code opens URL/devices/DEVICE.",
            show_default="the daemon's API",
        ),
    ] = "",
    home: Home = None,
    json: Json = False,
) -> None:
    """Write labels to print on A4, each with a QR code. They name position, room, device, serial and references.

    Example: fleet labels weir-hall --out labels.html --url http://fleet.example:8400/v1
    """
    if (room is None) != every_room:
        raise typer.BadParameter("name a room, or take --every-room")
    if out is None or out.suffix not in FORMATS:
        raise typer.BadParameter("name the file with --out FILE.html or FILE.svg")
    from fleet.desired.load import load  # noqa: PLC0415 - brings numpy, which takes its time

    daemon = options.daemon(home)
    venue = load(daemon.get("/files")["files"]).venue
    serials = {row["id"]: row["serial"] for row in daemon.every("/devices", "devices")["devices"]}
    base = _base(url or f"{daemon.url}/v1")
    rooms = [venue.rooms[name] for name in sorted(venue.rooms)] if every_room else [_room(venue, room or "")]
    found = [_label(place, each, serials, base) for each in rooms for place in _in_order(each)]
    if not found:
        raise BadInput("there are no positions to label", where=room or venue.name)
    files = _written(out, found, venue.name)
    if json:
        options.print_json({"format": "fleet-labels/1", "labels": len(found), "files": [str(file) for file in files]})
        return
    show.say(f"{counted(len(found), 'label')} written to {', '.join(map(str, files))}")
    if urlsplit(base).hostname in HERE:
        show.tell(f"the codes lead to {base}, which only this machine can open; give --url for phones")


def _base(url: str) -> str:
    try:
        host = urlsplit(url).hostname
    except ValueError:
        host = None
    if not host or len(url) > LONGEST_URL or WEB_PAGE.fullmatch(url) is None:
        raise BadInput(f"not an address of a web page: {shown(url)}", where="--url", remedy="Write http://HOST:PORT")
    return url.rstrip("/")


def _room(venue: Venue, name: str) -> Room:
    if name not in venue.rooms:
        raise NotFound(f"no room {shown(name)!r}{hint(name, venue.rooms)}")
    return venue.rooms[name]


def _in_order(room: Room) -> Iterator[Position]:
    """Positions as people count them: `line-2` before `line-10`."""
    yield from sorted(
        room.positions.values(), key=lambda p: [w.rjust(20, "0") if w.isdigit() else w for w in p.name.split("-")]
    )


def _label(position: Position, room: Room, serials: dict[str, Any], base: str) -> Label:
    references = [(one.name, getattr(position.references, one.name)) for one in fields(position.references)]
    return Label(
        position=position.name,
        room=room.title,
        device=position.device,
        output=position.output,
        serial=serials.get(position.device, ""),
        life_safety=position.life_safety,
        references=[(name.replace("_", " "), text) for name, text in references if text],
        url=f"{base}/devices/{quote(position.device, safe='')}",
    )


def _written(out: Path, found: list[Label], title: str) -> list[Path]:
    """One file, or for SVG one a sheet, numbered where there are several."""
    if out.suffix == ".html":
        texts = {out: printed.document(found, f"Labels of {title}")}
    else:
        sheets = printed.sheets(found)
        names = [out] if len(sheets) == 1 else [out.with_stem(f"{out.stem}-{n}") for n in range(1, len(sheets) + 1)]
        texts = dict(zip(names, sheets, strict=True))
    for file, text in texts.items():
        try:
            file.write_text(text, encoding="utf-8")
        except OSError as error:
            raise BadInput(f"cannot be written: {error.strerror}", where=str(file)) from None
    return list(texts)
