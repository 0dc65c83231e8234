"""Commands of notices and of what happens now: notices, watch."""

from __future__ import annotations

import asyncio
from typing import Annotated

import typer

from fleet.faces.cli import completing, options, show
from fleet.faces.cli.client import Daemon, default_home
from fleet.faces.cli.clock import Clock
from fleet.faces.cli.live_view import notice_line
from fleet.faces.cli.living import watch_live
from fleet.faces.cli.options import SAME, TROUBLE, Home, Json, OneRoom, Since
from fleet.faces.documents import Document
from fleet.model.notice import NoticeKind

TEST_WITHIN_S = 330.0
"""Longer than any receiver may take."""


def notices(
    since: Since = "",
    room: Annotated[
        str | None,
        typer.Option("--room", metavar="ROOM", help="Of this room.", autocompletion=completing.rooms),
    ] = None,
    kind: Annotated[
        NoticeKind | None,
        typer.Option("--kind", metavar="KIND", help="Of this kind, such as drift or missing.", show_default=False),
    ] = None,
    most: Annotated[int, typer.Option("--most", min=1, max=10_000, help="At most so many, the newest.")] = 200,
    test: Annotated[
        bool, typer.Option("--test", help="Send each receiver of config.toml a test notice, and tell who got it.")
    ] = False,
    home: Home = None,
    json: Json = False,
) -> None:
    """List the notices that were given. The last one comes first; times are those of the venue.

    Example: fleet notices --since 2h --room weir-hall
    """
    if test and (since or room or kind):
        raise typer.BadParameter("--test sends a notice to everybody; the other options are for the list")
    daemon = options.daemon(home)
    if test:
        _test(daemon, json=json)
    document = daemon.every("/notices", "notices", most, since=daemon.clock().since(since), room=room, kind=kind)
    if json:
        options.print_json(document)
        return
    clock = Clock.of(document)
    rows = [(clock.minute(n["at"]), n["kind"], n["room"] or "-", notice_line(n)) for n in document["notices"]]
    show.table_or_none(rows, (f"AT ({clock.name})", "KIND", "ROOM", "NOTICE"), "no notices")


def watch(room: OneRoom = None, home: Home = None, json: Json = False) -> None:
    """Show what happens, as it happens. Rooms, drift and notices are shown until Ctrl-C.

    A terminal shows a screen, anything else a line for each event, and --json a document on a line. When the daemon
    is restarted it connects again, and says so.

    Example: fleet watch weir-hall
    """
    try:
        asyncio.run(watch_live(home or default_home(), room, json_lines=json))
    except KeyboardInterrupt:
        show.tell("")


def _test(daemon: Daemon, *, json: bool) -> None:
    document: Document = daemon.post("/receivers/test", {"who": options.who()}, within_s=TEST_WITHIN_S)
    receivers = document["receivers"]
    if json:
        options.print_json(document)
    else:
        rows = [(row["name"], "arrived" if row["arrived"] else row["words"]) for row in receivers]
        none = "nobody is told of notices: config.toml names them under [[notices]], from the next start on"
        show.table_or_none(rows, ("RECEIVER", "TEST"), none)
    options.end(SAME if receivers and all(row["arrived"] for row in receivers) else TROUBLE)
