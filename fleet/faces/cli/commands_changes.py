"""Commands that change devices: apply, store, recall, rollback; and changes, their list and their stories."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from fleet.errors import Moved
from fleet.faces.cli import completing, options, rounds, show
from fleet.faces.cli.asking import agree
from fleet.faces.cli.client import path
from fleet.faces.cli.options import (
    DIFFERS,
    SAME,
    TROUBLE,
    Allow,
    Also,
    EveryRoom,
    Group,
    Home,
    Json,
    KeepWithin,
    OneRoom,
    PlanOnly,
    Position,
    RoomName,
    StopAfter,
    Why,
    Without,
    Yes,
)
from fleet.faces.cli.progress import follow
from fleet.faces.cli.story import story
from fleet.model.durations import seconds_of

Document = dict[str, Any]
ChangeId = Annotated[
    str, typer.Argument(help="The change's id; `fleet changes` lists them.", autocompletion=completing.changes)
]
Expect = Annotated[
    str, typer.Option("--expect", help="Only if the plan has this hash (or its beginning).", show_default=False)
]


def apply(
    room: OneRoom = None,
    group: Group = None,
    position: Position = None,
    without: Without = None,
    also: Also = None,
    allow: Allow = None,
    keep_within: KeepWithin = "",
    every_room: EveryRoom = False,
    stop_after: StopAfter = None,
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
    narrowed = {"group": group, "position": position, "without": without, "also": also}
    of_one = {**narrowed, "keep_within": keep_within, "expect": expect}
    named = rounds.room_or_every(room, every_room=every_room, stop_after=stop_after, of_one=of_one)
    if named is None:
        rounds.carry_out(
            "apply", stop_after=stop_after, allow=allow, yes=yes, plan_only=plan, why=why, home=home, json=json
        )
    asked = _asked("apply", named, **narrowed)
    _carry_out(
        asked,
        allow=allow,
        keep_within=keep_within,
        yes=yes,
        plan_only=plan,
        expect=expect,
        why=why,
        home=home,
        json=json,
    )


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
    _carry_out(asked, allow=allow, keep_within="", yes=yes, plan_only=plan, expect="", why=why, home=home, json=json)


def recall(
    room: OneRoom = None,
    group: Group = None,
    without: Without = None,
    also: Also = None,
    allow: Allow = None,
    keep_within: KeepWithin = "",
    every_room: EveryRoom = False,
    stop_after: StopAfter = None,
    yes: Yes = False,
    plan: PlanOnly = False,
    why: Why = "",
    home: Home = None,
    json: Json = False,
) -> None:
    """Bring the stored house curve back. A box that does not answer is left out and named.

    Example: fleet recall weir-hall --yes
    """
    narrowed = {"group": group, "without": without, "also": also}
    of_one = {**narrowed, "keep_within": keep_within}
    named = rounds.room_or_every(room, every_room=every_room, stop_after=stop_after, of_one=of_one)
    if named is None:
        rounds.carry_out(
            "recall", stop_after=stop_after, allow=allow, yes=yes, plan_only=plan, why=why, home=home, json=json
        )
    asked = _asked("recall", named, **narrowed)
    _carry_out(
        asked, allow=allow, keep_within=keep_within, yes=yes, plan_only=plan, expect="", why=why, home=home, json=json
    )


def rollback(
    change: ChangeId,
    allow: Allow = None,
    keep_within: KeepWithin = "",
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
    _carry_out(
        asked, allow=allow, keep_within=keep_within, yes=yes, plan_only=plan, expect="", why=why, home=home, json=json
    )


def changes(
    change: Annotated[
        str | None,
        typer.Argument(help="One change and its story.", show_default=False, autocompletion=completing.changes),
    ] = None,
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
        story(document)
    else:
        rows = [
            (c["started_at"][:16].replace("T", " "), c["id"], c["state"], c["who"], f"{c['kind']} {c['scope']}")
            for c in document["changes"]
        ]
        show.table(rows, ("STARTED (UTC)", "CHANGE", "STATE", "WHO", "WHAT"))


def keep(change: ChangeId, home: Home = None, json: Json = False) -> None:
    """Keep a change that is on trial.

    Example: fleet keep c-7f3a9c12
    """
    daemon = options.daemon(home)
    daemon.post(path("changes", change, "keep"), {})
    _end(follow(daemon, change), json=json)


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
        show.change(document)
    options.end(SAME if document["state"] in {"cancelled", "rolled back"} else TROUBLE)


def _asked(kind: str, room: str, **narrowed: Any) -> Document:
    return {"kind": kind, "room": room, **{k: v for k, v in narrowed.items() if v}}


def _carry_out(
    asked: Document,
    *,
    allow: list[str] | None,
    keep_within: str,
    yes: bool,
    plan_only: bool,
    expect: str,
    why: str,
    home: Path | None,
    json: bool,
) -> None:
    """Show the plan, ask once, start it by its hash, follow it to its end."""
    daemon = options.daemon(home)
    trial_s = seconds_of(keep_within, "--keep-within") if keep_within else None
    plan = daemon.post("/plans", asked)
    if plan_only:
        options.print_json(plan) if json else _show_plan(plan, allow, trial_s)
        options.end(SAME if plan["empty"] else DIFFERS)
    if expect and not plan["digest"].startswith(expect):
        raise Moved(
            f"the plan is {plan['digest'][:12]} by now, not {expect[:12]}", remedy="Look at it again with --plan."
        )
    if not json:
        show.say(f"{plan['kind']} {plan['scope']}:")
        _show_plan(plan, allow, trial_s)
    if plan["empty"]:
        if json:
            options.print_json(plan)
        options.end(SAME)
    if not yes:
        _confirm(plan, allow or [])
    body = {**asked, "digest": plan["digest"], "who": options.who(), "why": why, "allow": allow or []}
    started = daemon.post("/changes", {**body, "keep_within_s": trial_s})
    _end(follow(daemon, started["id"], or_trial=True), json=json)


def _end(document: Document, *, json: bool) -> None:
    options.print_json(document) if json else show.change(document)
    options.end(SAME if document["state"] in {"kept", "on trial"} else TROUBLE)


def _show_plan(plan: Document, allow: list[str] | None, trial_s: float | None) -> None:
    show.plan(plan, allow or ())
    if trial_s is not None:
        show.trial(plan, trial_s)


def _confirm(plan: Document, allow: list[str]) -> None:
    if standing := sorted({g["guard"] for g in plan["guards"] if not (g["may_allow"] and g["guard"] in allow)}):
        show.tell(f"guard rails stand against this: {', '.join(standing)}")
        return  # the daemon refuses, and says how
    agree(f"Do this to {show.count(len(plan['devices']), 'device')}?", remedy="Give --yes, or --plan to only look.")
