"""The command that restarts devices."""

from __future__ import annotations

from typing import Annotated

import typer

from fleet.faces.cli import options, show
from fleet.faces.cli.asking import LOOK_FIRST, agree
from fleet.faces.cli.client import Daemon, path
from fleet.faces.cli.options import (
    DIFFERS,
    SAME,
    TROUBLE,
    Allow,
    Also,
    Group,
    Home,
    Json,
    PlanOnly,
    Position,
    RoomName,
    Without,
    Yes,
)
from fleet.faces.cli.options import Why as WhyText
from fleet.faces.cli.progress import watched
from fleet.faces.documents import Document
from fleet.model.listing import counted


def restart(
    room: RoomName,
    group: Group = None,
    position: Position = None,
    without: Without = None,
    also: Also = None,
    allow: Allow = None,
    no_recall: Annotated[bool, typer.Option("--no-recall", help="Do not recall the house curve after it.")] = False,
    yes: Yes = False,
    plan: PlanOnly = False,
    why: WhyText = "",
    home: Home = None,
    json: Json = False,
) -> None:
    """Restart the devices of a room. One of each mains circuit at a time; once all are up, the house curve is recalled.

    Example: fleet restart weir-hall
    """
    narrowed = {
        "group": group,
        "position": position,
        "without": without or [],
        "also": also or [],
        "allow": allow or [],
    }
    body = {"room": room, **narrowed, "recall": not no_recall, "who": options.who(), "why": why}
    daemon = options.daemon(home)
    planned = daemon.post("/restarts/plan", body)
    if plan:
        options.print_json(planned) if json else _show_plan(planned)
        options.end(DIFFERS)
    if not json:
        _show_plan(planned)
    if not yes:
        devices = sum(map(len, planned["waves"]))
        agree(f"Restart {counted(devices, 'device')}? They fall silent until they are up again.", remedy=LOOK_FIRST)
    document = _follow(daemon, daemon.post("/restarts", body))
    options.print_json(document) if json else _show(document)
    options.end(TROUBLE if document["trouble"] else DIFFERS if document["not_back"] else SAME)


def _follow(daemon: Daemon, started: Document) -> Document:
    def ask(wait_s: float) -> Document:
        return daemon.get(path("restarts", started["id"]), wait_s=wait_s)

    def told(document: Document) -> tuple[str, int]:
        return f"{document['state']}: {len(document['back'])} are back", len(document["back"])

    return watched(ask, lambda d: bool(d["ended"]), told, total=sum(map(len, started["waves"])) or 1)


def _show_plan(document: Document) -> None:
    show.say(f"restart {document['scope']}:")
    for number, wave in enumerate(document["waves"], start=1):
        show.say(f"  wave {number}: {', '.join(wave)}")
    for one in document["not_back"]:
        show.say(f"  left out: {one['device']}: {one['words']}")
    if document["recall"]:
        show.say("  then recall the house curve, once all are up")


def _show(document: Document) -> None:
    show.say(f"{counted(len(document['back']), 'device')} restarted and back")
    for one in document["not_back"]:
        show.say(f"  {one['device']}: {one['words']}")
    if document["change"]:
        show.say(f"house curve recalled: change {document['change']}")
    if document["trouble"]:
        show.tell(f"fleet: {document['trouble']}")
