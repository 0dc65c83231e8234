"""The command that tells a room's history."""

from __future__ import annotations

from typing import Annotated

import typer

from fleet.faces.cli import options, show
from fleet.faces.cli.client import path
from fleet.faces.cli.clock import Clock
from fleet.faces.cli.options import Home, Json, RoomName
from fleet.faces.documents import Document


def history(
    room: RoomName,
    limit: Annotated[int, typer.Option("--limit", metavar="N", min=1, max=500, help="So many versions at most.")] = 20,
    home: Home = None,
    json: Json = False,
) -> None:
    """Tell what was desired of a room, version by version. Also when its house curve was stored and recalled last.

    Example: fleet history weir-hall --limit 5
    """
    document = options.daemon(home).get(path("rooms", room, "history"), limit=limit)
    if json:
        options.print_json(document)
        return
    clock = Clock.of(document)
    for word, change in (("stored", document["stored"]), ("recalled", document["recalled"])):
        show.say(f"last {word}: {_when(change, clock)}")
    show.tell('each version against the one before it, which is called "wanted"')
    for version in document["versions"]:
        at = clock.told(version["at"])
        note = f": {version['note']}" if version["note"] else ""
        show.table([(f"version {version['version']}, {at} by {version['who']}{note}",)])
        show.table([(c["position"] or "(room)", c["words"]) for c in version["changes"]], indent=2)
    if document["more"]:
        show.say("there are older versions (--limit shows more)")


def _when(change: Document | None, clock: Clock) -> str:
    if change is None:
        return "never, as far as is known"
    return f"{clock.told(change['ended_at'])} by {change['who']} ({change['id']}, {change['scope']})"
