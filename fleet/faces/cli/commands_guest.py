"""The command of guest sessions."""

from __future__ import annotations

from typing import Annotated

import typer

from fleet.errors import BadInput
from fleet.faces.cli import options, show_days
from fleet.faces.cli.carrying_out import How, carry_out
from fleet.faces.cli.client import path
from fleet.faces.cli.options import DIFFERS, SAME, Allow, Home, Json, KeepWithin, OneRoom, PlanOnly, Why, Yes


def guest(
    room: OneRoom = None,
    guest_name: Annotated[
        str, typer.Option("--who", metavar="NAME", help="Who the guest is.", show_default=False)
    ] = "",
    until: Annotated[
        str,
        typer.Option("--until", help="2h, 90m, or 23:30 or 2031-05-17T23:30 on the venue's clock.", show_default=False),
    ] = "",
    ceiling_db: Annotated[
        float | None, typer.Option("--ceiling-db", help="No level is to be above this.", show_default=False)
    ] = None,
    end: Annotated[bool, typer.Option("--end", help="End it now; after its end: leave the room as it is.")] = False,
    put_back: Annotated[bool, typer.Option("--put-back", help="Bring the room back to how it was before.")] = False,
    allow: Allow = None,
    keep_within: KeepWithin = "",
    yes: Yes = False,
    plan: PlanOnly = False,
    why: Why = "",
    home: Home = None,
    json: Json = False,
) -> None:
    """Let a guest have a room for a time. Then it can be put back; without a room it lists the sessions.

    Example: fleet guest weir-hall --who "Visiting company" --until 23:30 --ceiling-db -6
    """
    begins = bool(guest_name or until or ceiling_db is not None)
    if begins + end + put_back > 1:
        raise BadInput("only one of beginning, --end and --put-back can be asked for")
    if room is None:
        if begins or end or put_back:
            raise BadInput("no room was given")
        _list(home, json=json)
    elif put_back:
        at = path("rooms", room, "guest", "put-back")
        how = How(allow=allow, yes=yes, plan_only=plan, why=why, home=home, json=json)
        carry_out({}, how, keep_within=keep_within, plans=f"{at}/plan", starts=at)
    elif end:
        document = options.daemon(home).post(path("rooms", room, "guest", "end"), {"who": options.who()})
        options.print_json(document) if json else show_days.ended(document)
        options.end(SAME if document["closed"] else DIFFERS)
    else:
        if not guest_name or not until:
            raise BadInput("a guest has a name and an end", remedy="Give --who and --until.")
        body = {"guest": guest_name, "until": until, "ceiling_db": ceiling_db, "why": why, "who": options.who()}
        document = options.daemon(home).post(path("rooms", room, "guest"), body)
        options.print_json(document) if json else show_days.begun(document)


def _list(home: Home, *, json: bool) -> None:
    document = options.daemon(home).get("/guests")
    options.print_json(document) if json else show_days.sessions(document)
