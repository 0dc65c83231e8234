"""The command of agreed deviations."""

from __future__ import annotations

from typing import Annotated

import typer

from fleet.errors import BadInput
from fleet.faces.cli import options, show_days
from fleet.faces.cli.asking import agree as agreed
from fleet.faces.cli.options import Home, Json, Why, Yes
from fleet.faces.documents import Document
from fleet.model.listing import counted


def agree(
    place: Annotated[
        str | None, typer.Argument(metavar="ROOM/POSITION", help="The position.", show_default=False)
    ] = None,
    settings: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="SETTING", help="Only these: level_db, eq, slot…; else all that counts.", show_default=False
        ),
    ] = None,
    until: Annotated[
        str, typer.Option("--until", metavar="DATE", help="The last day, as 2031-06-30.", show_default=False)
    ] = "",
    owner: Annotated[str, typer.Option("--owner", metavar="NAME", help="Whose matter it is.", show_default=False)] = "",
    end: Annotated[bool, typer.Option("--end", help="End it: what differs counts again.")] = False,
    yes: Yes = False,
    why: Why = "",
    home: Home = None,
    json: Json = False,
) -> None:
    """Sign for what differs at a position. That holds to a day; without a position it lists what is agreed.

    Example: fleet agree weir-hall/main-left level_db --until 2031-06-30 --owner "Ines" --why "balcony is closed"
    """
    if place is None:
        if until or owner or end or why:
            raise BadInput("no position was given", remedy="Name it as ROOM/POSITION.")
        daemon = options.daemon(home)
        document = daemon.get("/deviations")
        options.print_json(document) if json else show_days.deviations(document, daemon.clock())
        return
    of = {**_place(place), "settings": settings or []}
    if end:
        document = options.daemon(home).post("/deviations/end", {**of, "who": options.who()})
    else:
        if not until or not owner or not why:
            raise BadInput(
                "an agreed deviation has an end, a reason and an owner", remedy="Give --until, --why and --owner."
            )
        document = _agreed(of, {"until": until, "owner": owner, "why": why}, home, yes=yes, json=json)
    options.print_json(document) if json else show_days.agreed(document)


def _agreed(of: Document, signed: Document, home: Home, *, yes: bool, json: bool) -> Document:
    """Show what differs, ask once, agree to exactly that."""
    daemon = options.daemon(home)
    found = daemon.post("/deviations/look", of)
    if not json:
        show_days.found(found)
    if not yes:
        count = counted(len(found["differences"]), "difference")
        agreed(f"Agree to {count} until {signed['until']}, for {signed['owner']}?", remedy="Give --yes.")
    return daemon.post("/deviations", {**of, **signed, "digest": found["digest"], "who": options.who()})


def _place(text: str) -> Document:
    room, slash, position = text.partition("/")
    if not (room and slash and position):
        raise BadInput(f"{text!r} is no position", remedy="Name it as ROOM/POSITION.")
    return {"room": room, "position": position}
