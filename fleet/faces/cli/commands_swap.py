"""The command swap: another device for one that is dead, shown, asked about once, and followed to its end."""

from __future__ import annotations

from datetime import date
from typing import Annotated

import typer

from fleet.errors import BadInput
from fleet.faces.cli import completing, options, show
from fleet.faces.cli.asking import agree
from fleet.faces.cli.client import Daemon, path
from fleet.faces.cli.options import DIFFERS, SAME, TROUBLE, Also, Home, InRoom, Json, Lift, PlanOnly, Why, Yes
from fleet.faces.documents import Document

WAIT_S = 10


def swap(
    position: Annotated[
        str | None,
        typer.Argument(
            metavar="POSITION",
            help="ROOM/POSITION, or the position alone; without it the swaps so far are listed.",
            show_default=False,
            autocompletion=completing.positions,
        ),
    ] = None,
    device: Annotated[
        str | None,
        typer.Argument(
            metavar="DEVICE", help="The device to put in.", show_default=False, autocompletion=completing.devices
        ),
    ] = None,
    undo: Annotated[bool, typer.Option("--undo", help="Bring the device back that was there before.")] = False,
    room: InRoom = None,
    until: Annotated[
        str,
        typer.Option(
            "--until",
            metavar="DATE",
            help="The last day for a device that cannot do all that the old one did.",
            show_default=False,
        ),
    ] = "",
    allow: Lift = None,
    also: Also = None,
    yes: Yes = False,
    plan: PlanOnly = False,
    why: Why = "",
    home: Home = None,
    json: Json = False,
) -> None:
    """Swap a dead device for another one, all or nothing. The new one is muted first and unmuted last.

    Example: fleet swap weir-hall/main-left box-0499
    """
    daemon = options.daemon(home)
    if position is None:
        _list(daemon, json=json)
        return
    if (device is None) != undo:
        raise typer.BadParameter("name the device to put in, or take --undo")
    asked: Document = {
        "position": position,
        "device": device or "",
        "undo": undo,
        "room": room,
        "until": _day(until),
        "allow": allow or [],
        "also": also or [],
    }
    prospect = daemon.post("/swaps/plan", asked)
    if plan:
        options.print_json(prospect) if json else _show(prospect)
        options.end(DIFFERS)
    if not json:
        _show(prospect)
    if not yes:
        agree("Swap it?", remedy="Say --yes.")
    begun = daemon.post("/swaps", {**asked, "digest": prospect["digest"], "who": options.who(), "why": why})
    while not (document := daemon.get(path("swaps", begun["id"]), wait_s=WAIT_S))["has_ended"]:
        pass
    if json:
        options.print_json(document)
    else:
        show.table([(f"{document['state']}:", document["words"])])
        if document["state"] == "done" and not undo:
            show.table([("undo:", f"fleet swap --undo {document['positions'][0]}")])
    options.end(SAME if document["state"] == "done" else TROUBLE)


def _day(text: str) -> str | None:
    if not text:
        return None
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        raise BadInput(f"{text!r} is no day", where="--until", remedy="Write it as in 2031-05-20") from None


def _list(daemon: Daemon, *, json: bool) -> None:
    document = daemon.get("/swaps")
    if json:
        options.print_json(document)
        return
    clock = daemon.clock()
    rows = [
        (
            s["id"],
            clock.second(s["began"]),
            s["who"],
            s["state"],
            f"{', '.join(s['positions'])}: {s['new']} for {s['old']}",
        )
        for s in document["swaps"]
    ]
    show.table_or_none(rows, ("SWAP", f"STARTED ({clock.name})", "WHO", "STATE", "WHAT"), "no swaps")


def _show(document: Document) -> None:
    old, new = document["old"], document["new"]
    show.say(f"{', '.join(document['positions'])}: {new['device']} for {old['device']}")
    rows = [("out:", f"{old['device']}, serial {old['serial'] or 'not known'}")]
    rows += [("in:", f"{new['device']}, serial {new['serial']}")]
    rows += [("note:", words) for words in document["notes"]]
    losses = [("serious:" if x["serious"] else "lost:", f"{x['position']}: {x['words']}") for x in document["losses"]]
    show.table([*rows, *(losses or [("full:", "it can do all that is desired")])], indent=2)
