"""Commands that change devices: apply, store, recall, rollback; and changes, their list and their stories."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from fleet.errors import Moved, Refused
from fleet.faces.cli import options, show
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
    Why,
    Without,
    Yes,
)
from fleet.faces.cli.progress import follow

Document = dict[str, Any]
ChangeId = Annotated[str, typer.Argument(help="The change's id; `fleet changes` lists them.")]
Expect = Annotated[
    str, typer.Option("--expect", help="Only if the plan has this hash (or its beginning).", show_default=False)
]


def apply(
    room: RoomName,
    group: Group = None,
    position: Position = None,
    without: Without = None,
    also: Also = None,
    allow: Allow = None,
    yes: Yes = False,
    plan: PlanOnly = False,
    expect: Expect = "",
    why: Why = "",
    home: Home = None,
    json: Json = False,
) -> None:
    """Put a room, a group or a position right, all of it or nothing. It is read back; where that fails, all goes back.

    Example: fleet apply weir-hall --group mains
    """
    asked = _asked("apply", room, group=group, position=position, without=without, also=also)
    _carry_out(asked, allow=allow, yes=yes, plan_only=plan, expect=expect, why=why, home=home, json=json)


def store(
    room: RoomName,
    group: Group = None,
    without: Without = None,
    also: Also = None,
    allow: Allow = None,
    yes: Yes = False,
    plan: PlanOnly = False,
    why: Why = "",
    home: Home = None,
    json: Json = False,
) -> None:
    """Write the house curve into the slots of a room's devices. That is whole desired settings.

    Example: fleet store weir-hall
    """
    asked = _asked("store", room, group=group, without=without, also=also)
    _carry_out(asked, allow=allow, yes=yes, plan_only=plan, expect="", why=why, home=home, json=json)


def recall(
    room: RoomName,
    group: Group = None,
    without: Without = None,
    also: Also = None,
    allow: Allow = None,
    yes: Yes = False,
    plan: PlanOnly = False,
    why: Why = "",
    home: Home = None,
    json: Json = False,
) -> None:
    """Bring the stored house curve back. A box that does not answer is left out and named.

    Example: fleet recall weir-hall --yes
    """
    asked = _asked("recall", room, group=group, without=without, also=also)
    _carry_out(asked, allow=allow, yes=yes, plan_only=plan, expect="", why=why, home=home, json=json)


def rollback(
    change: ChangeId,
    allow: Allow = None,
    yes: Yes = False,
    plan: PlanOnly = False,
    why: Why = "",
    home: Home = None,
    json: Json = False,
) -> None:
    """Undo a change. What it wrote goes back to what was there before; what has moved since is shown first.

    Example: fleet rollback c-7f3a9c12
    """
    asked = {"kind": "rollback", "change": change}
    _carry_out(asked, allow=allow, yes=yes, plan_only=plan, expect="", why=why, home=home, json=json)


def changes(
    change: Annotated[str | None, typer.Argument(help="One change and its story.", show_default=False)] = None,
    home: Home = None,
    json: Json = False,
) -> None:
    """List the changes, or tell the story of one in time order.

    Example: fleet changes
    """
    document = options.daemon(home).get(path("changes", change) if change else "/changes")
    if json:
        options.print_json(document)
    elif change:
        show.story(document)
    else:
        rows = [
            (c["started_at"][:16].replace("T", " "), c["id"], c["state"], c["who"], f"{c['kind']} {c['scope']}")
            for c in document["changes"]
        ]
        show.table(rows, ("STARTED (UTC)", "CHANGE", "STATE", "WHO", "WHAT"))


def cancel(change: ChangeId, home: Home = None, json: Json = False) -> None:
    """Stop a running change. What it touched goes back.

    Example: fleet cancel c-7f3a9c12
    """
    daemon = options.daemon(home)
    daemon.post(path("changes", change, "cancel"), {"who": options.who()})
    document = follow(daemon, change)
    if json:
        options.print_json(document)
    else:
        show.change(document)
    options.end(SAME if document["state"] in {"cancelled", "rolled back"} else TROUBLE)


def _asked(kind: str, room: str, **narrowed: Any) -> Document:
    return {"kind": kind, "room": room, **{k: v for k, v in narrowed.items() if v}}


def _carry_out(
    asked: Document,
    *,
    allow: list[str] | None,
    yes: bool,
    plan_only: bool,
    expect: str,
    why: str,
    home: Path | None,
    json: bool,
) -> None:
    """Show the plan, ask once, start it by its hash, follow it to its end."""
    daemon = options.daemon(home)
    plan = daemon.post("/plans", asked)
    if plan_only:
        options.print_json(plan) if json else show.plan(plan, allow or ())
        options.end(SAME if plan["empty"] else DIFFERS)
    if expect and not plan["digest"].startswith(expect):
        raise Moved(
            f"the plan is {plan['digest'][:12]} by now, not {expect[:12]}", remedy="Look at it again with --plan."
        )
    if not json:
        show.say(f"{plan['kind']} {plan['scope']}:")
        show.plan(plan, allow or ())
    if plan["empty"]:
        if json:
            options.print_json(plan)
        options.end(SAME)
    if not yes:
        _confirm(plan, allow or [])
    document = _start(daemon, asked, plan, allow=allow, why=why)
    options.print_json(document) if json else show.change(document)
    options.end(SAME if document["state"] == "kept" else TROUBLE)


def _start(daemon: Daemon, asked: Document, plan: Document, *, allow: list[str] | None, why: str) -> Document:
    body = {**asked, "digest": plan["digest"], "who": options.who(), "why": why, "allow": allow or []}
    return follow(daemon, daemon.post("/changes", body)["id"])


def _confirm(plan: Document, allow: list[str]) -> None:
    if standing := sorted({g["guard"] for g in plan["guards"] if not (g["may_allow"] and g["guard"] in allow)}):
        show.tell(f"guard rails stand against this: {', '.join(standing)}")
        return  # the daemon refuses, and says how
    if not sys.stdin.isatty():
        raise Refused("there is no terminal to ask at", remedy="Give --yes, or --plan to only look.")
    try:
        agreed = typer.confirm(f"Do this to {show.count(len(plan['devices']), 'device')}?", err=True)
    except typer.Abort:
        agreed = False
    if not agreed:
        raise Refused("not confirmed: nothing was done")
