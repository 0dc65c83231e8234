"""A round over every room: what it would do is shown, asked about once, started by the digests shown, and followed."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import NoReturn

from fleet.errors import BadInput
from fleet.faces.cli import options, show_rounds
from fleet.faces.cli.asking import LOOK_FIRST, agree
from fleet.faces.cli.carrying_out import How
from fleet.faces.cli.client import Daemon, path
from fleet.faces.cli.options import DIFFERS, SAME, TROUBLE
from fleet.faces.cli.progress import watched
from fleet.faces.cli.show import say, standing, tell
from fleet.faces.documents import Document
from fleet.model.listing import counted


def room_or_every(
    room: str | None, *, every_room: bool, stop_after: int | None, of_one: Mapping[str, object]
) -> str | None:
    """The room that was named, or `None` for every room. `of_one` holds what was given that is about one room.

    Raises `BadInput` where not exactly one of both was given, or something that does not go with it.
    """
    if room is not None and every_room:
        raise BadInput("a room and --every-room were both given", remedy="Give one of them.")
    if room is None and not every_room:
        raise BadInput("no room was given", remedy="Name a room, or give --every-room.")
    if stop_after is not None and not every_room:
        raise BadInput("--stop-after is about --every-room: one room is all or nothing anyway")
    if every_room and of_one.get("keep_within"):
        raise BadInput("--keep-within cannot go with --every-room: one trial at a time can be listened to")
    if every_room and (given := [f"--{name.replace('_', '-')}" for name, value in of_one.items() if value]):
        raise BadInput(f"{' and '.join(given)} cannot go with --every-room: it is about one room")
    return room


def carry_out(kind: str, how: How, *, stop_after: int | None) -> NoReturn:
    """Show the plan of every room, ask once, start the round, follow it to its end."""
    daemon = options.daemon(how.home)
    plan = daemon.post("/rounds/plan", {"kind": kind})
    refused = [room for room in plan["rooms"] if room["refused"]]
    to_do = [room for room in plan["rooms"] if room["plan"] and not room["plan"]["empty"]]
    if how.plan_only or not to_do:
        options.print_json(plan) if how.json else show_rounds.plan(plan, how.allowed)
        options.end(TROUBLE if refused else DIFFERS if to_do else SAME)
    if not how.json:
        show_rounds.plan(plan, how.allowed)
    if not how.yes:
        _confirm(to_do, how.allowed)
    digests = {room["room"]: room["plan"]["digest"] if room["plan"] else "" for room in plan["rooms"]}
    body = {"kind": kind, "digests": digests, "who": options.who(), "why": how.why, "allow": how.allowed}
    started = daemon.post("/rounds", {**body, "stop_after": 1 if stop_after is None else stop_after})
    document = _follow(daemon, started)
    if how.json:
        options.print_json(document)
    else:
        say()
        show_rounds.result(document)
    options.end(SAME if document["all_done"] else TROUBLE)


def _confirm(to_do: list[Document], allowed: Collection[str]) -> None:
    free = [room for room in to_do if not standing(room["plan"], allowed)]
    if len(free) < len(to_do):
        tell(f"guard rails stand against {counted(len(to_do) - len(free), 'room')}: the daemon refuses them")
    if not free:
        return  # the daemon refuses every one, and says how
    devices = {device["device"] for room in free for device in room["plan"]["devices"]}
    question = f"Do this to {counted(len(devices), 'device')} in {counted(len(free), 'room')}, a room at a time?"
    agree(question, remedy=LOOK_FIRST)


def _follow(daemon: Daemon, started: Document) -> Document:
    """The round once it has ended. An interrupt lets the running room come to its end; a second one leaves it alone."""
    try:
        return _watch(daemon, started)
    except KeyboardInterrupt:
        tell("the change of the running room goes on to its end; no further room is begun")
        daemon.post(path("rounds", started["id"], "cancel"), {"who": options.who()})
        return _watch(daemon, started)


def _watch(daemon: Daemon, started: Document) -> Document:
    def ask(wait_s: float) -> Document:
        return daemon.get(path("rounds", started["id"]), wait_s=wait_s)

    def told(document: Document) -> tuple[str, int]:
        running = [room["room"] for room in document["rooms"] if room["state"] == "running"]
        return ", ".join(running), sum(room["state"] not in {"running", "not begun"} for room in document["rooms"])

    return watched(ask, lambda document: bool(document["ended"]), told, total=len(started["rooms"]))
