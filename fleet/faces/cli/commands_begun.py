"""Commands for changes that were begun: their list and their stories, keep, cancel."""

from __future__ import annotations

from typing import Annotated

import typer

from fleet.faces.cli import completing, options, show, show_rounds
from fleet.faces.cli.carrying_out import end_with
from fleet.faces.cli.client import path
from fleet.faces.cli.options import SAME, TROUBLE, ChangeId, Home, Json
from fleet.faces.cli.progress import follow
from fleet.faces.cli.story import story


def changes(
    change: Annotated[
        str | None,
        typer.Argument(
            metavar="CHANGE", help="One change and its story.", show_default=False, autocompletion=completing.changes
        ),
    ] = None,
    lines: Annotated[int, typer.Option("--lines", metavar="N", min=1, help="List the last so many.")] = 50,
    home: Home = None,
    json: Json = False,
) -> None:
    """List the changes, or tell the story of one in time order. A round tells how each of its rooms went.

    Example: fleet changes
    """
    is_round = bool(change and change.startswith("round-"))
    daemon = options.daemon(home)
    if change:
        document = daemon.get(path("rounds" if is_round else "changes", change))
    else:
        document = daemon.every("/changes", "changes", lines)
    if json:
        options.print_json(document)
    elif is_round:
        show_rounds.result(document)
    elif change:
        story(document, daemon.clock())
    else:
        clock = daemon.clock()
        rows = [
            (clock.minute(c["started_at"]), c["id"], c["state"], c["who"], f"{c['kind']} {c['scope']}")
            for c in document["changes"]
        ]
        show.table(rows, (f"STARTED ({clock.name})", "CHANGE", "STATE", "WHO", "WHAT"))
        for words in document["damaged"]:
            show.tell(words)
    if not change and document["damaged"]:
        options.end(TROUBLE)


def keep(change: ChangeId, home: Home = None, json: Json = False) -> None:
    """Keep a change that is on trial.

    Example: fleet keep c-7f3a9c12
    """
    daemon = options.daemon(home)
    daemon.post(path("changes", change, "keep"), {})
    end_with(daemon, follow(daemon, change), json=json)


def cancel(change: ChangeId, home: Home = None, json: Json = False) -> None:
    """Stop a running change, or undo one on trial. What it touched goes back.

    Example: fleet cancel c-7f3a9c12
    """
    daemon = options.daemon(home)
    daemon.post(path("changes", change, "cancel"), {"who": options.who()})
    document = follow(daemon, change)
    if json:
        options.print_json(document)
    else:
        show.change(document, daemon.clock())
    options.end(SAME if document["state"] in {"cancelled", "rolled back"} else TROUBLE)
