"""The command that turns a room up or down within its ranges, and shows its levels."""

from __future__ import annotations

import math
import re
from typing import Annotated, Final

import typer

from fleet.errors import BadInput
from fleet.faces.cli import options, show_levels
from fleet.faces.cli.carrying_out import How, carry_out
from fleet.faces.cli.options import Group, Home, Json, PlanOnly, Position, RoomName, Why, Without, Yes
from fleet.faces.documents import Document
from fleet.model.names import shown

TAKES_SIGNED_NUMBERS: Final = {"ignore_unknown_options": True}
"""For the parser: `-2` is a step and no option. What looks like an option and is none is refused here."""
_NUMBER: Final = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)")

Step = Annotated[
    str | None, typer.Argument(metavar="STEP", help="+2 for 2 dB louder, -2 for 2 dB softer.", show_default=False)
]
ToDb = Annotated[float | None, typer.Option("--to-db", metavar="DB", help="To this level.", show_default=False)]
Until = Annotated[
    str,
    typer.Option(
        "--until", metavar="TIME", help="Takes it back then: 2h, or 23:00 on the venue's clock.", show_default=False
    ),
]


def level(
    room: RoomName,
    step: Step = None,
    to_db: ToDb = None,
    group: Group = None,
    position: Position = None,
    without: Without = None,
    until: Until = "",
    yes: Yes = False,
    plan: PlanOnly = False,
    why: Why = "",
    home: Home = None,
    json: Json = False,
) -> None:
    """Turn a room up or down within its ranges. Without a step its levels are shown.

    All of it moves or nothing, and only what has a range in the room's file. Louder comes in steps, softer at once.
    A recall keeps the level. If it is too loud, turn down or call.

    Example: fleet level weir-hall +2 --until 23:00
    """
    by_db = None if step is None else step_db(step)
    if by_db is None and to_db is None:
        if until or yes or plan or why or without:
            raise BadInput("no step and no level was given", remedy="Write +2, -2 or --to-db -12.")
        narrowed = {k: v for k, v in {"group": group, "position": position}.items() if v}
        document = options.daemon(home).get(f"/rooms/{room}/levels", **narrowed)
        options.print_json(document) if json else show_levels.levels(document)
        options.end(options.SAME)
    if by_db is not None and to_db is not None:
        raise BadInput("a step and --to-db were both given", remedy="Give one of them.")
    if to_db is not None and not math.isfinite(to_db):
        raise BadInput(f"{to_db} is no level", where="--to-db")
    asked: Document = {
        "kind": "level",
        "room": room,
        "group": group,
        "position": position,
        "without": without or [],
        "until": until,
        "who": options.who(),
    }
    asked |= {"by_db": by_db} if to_db is None else {"to_db": to_db}
    carry_out(
        {k: v for k, v in asked.items() if v not in (None, "", [])},
        How(yes=yes, plan_only=plan, why=why, home=home, json=json),
    )


def step_db(text: str) -> float:
    """The dB of `+2` or `-1.5`. Raises `BadInput`, also for a number without its sign, and for an unknown option."""
    if _NUMBER.fullmatch(text):
        if text[0] in "+-":
            return float(text)
        remedy = f"Write +{text} for {text} dB louder, -{text} for {text} dB softer, or --to-db for a level."
        raise BadInput(f"{text} has no sign", where="STEP", remedy=remedy)
    if text.startswith("-"):
        raise BadInput(f"there is no option {shown(text)}", remedy="`fleet level --help` lists them.")
    raise BadInput(f"{shown(text)!r} is no step", where="STEP", remedy="Write +2 for 2 dB louder, or --to-db -12.")
