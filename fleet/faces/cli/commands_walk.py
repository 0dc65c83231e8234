"""The command walk: one position of a room after another is heard alone, and what was heard is kept."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from fleet.desired.walk_answers import read_answers
from fleet.errors import BadInput, FleetError, Refused
from fleet.faces.cli import options, show, show_walk
from fleet.faces.cli.asking import agree
from fleet.faces.cli.client import Daemon, path
from fleet.faces.cli.options import DIFFERS, SAME, Group, Home, Json, Yes
from fleet.faces.cli.walk_answers import Answering, FromFile, FromPerson, Go
from fleet.faces.documents import Document
from fleet.model.durations import seconds_of, words_of

STEP_WITHIN_S = 300.0
"""How long a step may take at worst: two devices' patience, back and forth."""


def walk(
    room: options.OneRoom = None,
    group: Group = None,
    level_db: Annotated[
        float | None,
        typer.Option("--level-db", metavar="DB", help="Highest level of the position under test.", show_default="-30"),
    ] = None,
    step_within: Annotated[
        str,
        typer.Option(
            "--step-within",
            metavar="TIME",
            help="All goes back unless somebody goes on within this time (90s, 10m).",
            show_default="10m",
        ),
    ] = "",
    go_on: Annotated[
        bool, typer.Option("--continue", help="Go on with the last walk of the room, where it has no answers.")
    ] = False,
    as_baseline: Annotated[
        bool, typer.Option("--as-baseline", help="Later walks of the room are compared with this one.")
    ] = False,
    answers: Annotated[
        Path | None,
        typer.Option("--answers", metavar="FILE", help="Answers from a YAML file.", show_default=False),
    ] = None,
    listed: Annotated[bool, typer.Option("--list", help="List the walks so far.")] = False,
    shown: Annotated[str, typer.Option("--show", metavar="WALK", help="Show one walk.", show_default=False)] = "",
    yes: Yes = False,
    home: Home = None,
    json: Json = False,
) -> None:
    """Hear each position alone, and note what is right. All levels and mutes come back.

    Example: fleet walk weir-hall --group mains
    """
    if [room is not None, listed, bool(shown)].count(True) != 1:
        raise typer.BadParameter("name a room to walk, or take --list, or --show WALK")
    daemon = options.daemon(home)
    if listed or shown:
        _look(daemon, shown, json=json)
        return
    if go_on and (group or level_db is not None or step_within):
        raise typer.BadParameter("--continue goes on as the walk was begun: without --group, --level-db, --step-within")
    answering = _answering(answers)
    if not yes:
        agree(f"Walk {room}? Levels and mutes of the room change, and come back.", remedy="Give --yes.")
    body: Document = {"room": room, "group": group, "go_on": go_on, "as_baseline": as_baseline, "who": options.who()}
    body |= {} if level_db is None else {"level_db": level_db}
    body |= {"step_within_s": seconds_of(step_within, "--step-within")} if step_within else {}
    document = _walked(daemon, daemon.post("/walks", body, within_s=STEP_WITHIN_S), answering)
    options.print_json(document) if json else show_walk.walk(document, daemon.clock())
    options.end(SAME if document["all_right"] else DIFFERS)


def _look(daemon: Daemon, shown: str, *, json: bool) -> None:
    document = daemon.get(path("walks", shown) if shown else "/walks")
    if json:
        options.print_json(document)
    elif shown:
        show_walk.walk(document, daemon.clock())
    else:
        show_walk.walks(document, daemon.clock())


def _answering(answers: Path | None) -> Answering:
    if answers is not None:
        try:
            text = answers.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise BadInput(f"cannot be read: {error}", where=str(answers)) from None
        return FromFile(read_answers(text, str(answers)))
    if not sys.stdin.isatty():
        raise Refused("there is no terminal to answer at", remedy="Give --answers FILE.yaml.")
    return FromPerson()


def _walked(daemon: Daemon, document: Document, answering: Answering) -> Document:
    """Walk to the end, or until it is quit; whatever ends it early, the step is taken back."""
    show_walk.beginning(document)
    try:
        return _go(daemon, document, answering)
    except BaseException:
        _give_back(daemon, document)
        raise


def _go(daemon: Daemon, document: Document, answering: Answering) -> Document:
    walk_path = path("walks", document["id"])
    go = Go("next")
    while go.move != "quit":
        try:
            document = daemon.post(
                f"{walk_path}/step", {"move": go.move, "why": go.why, "who": options.who()}, within_s=STEP_WITHIN_S
            )
        except Refused as error:
            if daemon.get(walk_path)["has_ended"]:
                raise
            go = answering.after_failure(error)
            continue
        now = document["now"]
        if now is None:
            return document
        show_walk.position(document)
        given = answering.answers(now)
        if isinstance(given, Go):
            go = given
            continue
        body = {"position": now["position"], "answers": given, "who": options.who()}
        document = daemon.post(f"{walk_path}/answers", body)
        found = [("found:", f["words"]) for f in document["findings"] if f["position"] == now["position"]]
        show.table(found, indent=2, out=show.tell)
        go = answering.onwards()
    return daemon.post(f"{walk_path}/end", {"who": options.who()}, within_s=STEP_WITHIN_S)


def _give_back(daemon: Daemon, document: Document) -> None:
    try:
        daemon.post(path("walks", document["id"], "end"), {"who": options.who()}, within_s=STEP_WITHIN_S)
    except FleetError as error:
        within = words_of(document["step_within_s"])
        show.tell(f"fleet: the step could not be taken back now ({error}); it goes back by itself within {within}")
    else:
        show.tell("fleet: levels and mutes are as they were before the walk")
