"""Commands that change devices: apply, store, recall, rollback."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from fleet.faces.cli import rounds
from fleet.faces.cli.carrying_out import How, carry_out
from fleet.faces.cli.options import (
    Allow,
    Also,
    ChangeId,
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
from fleet.faces.documents import Document

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
    how = How(allow=allow, yes=yes, plan_only=plan, why=why, home=home, json=json)
    if named is None:
        rounds.carry_out("apply", how, stop_after=stop_after)
    carry_out(_asked("apply", named, **narrowed), how, keep_within=keep_within, expect=expect)


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
    carry_out(asked, How(allow=allow, yes=yes, plan_only=plan, why=why, home=home, json=json))


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
    how = How(allow=allow, yes=yes, plan_only=plan, why=why, home=home, json=json)
    if named is None:
        rounds.carry_out("recall", how, stop_after=stop_after)
    carry_out(_asked("recall", named, **narrowed), how, keep_within=keep_within)


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
    how = How(allow=allow, yes=yes, plan_only=plan, why=why, home=home, json=json)
    carry_out({"kind": "rollback", "change": change}, how, keep_within=keep_within)


def _asked(kind: str, room: str, **narrowed: Any) -> Document:
    return {"kind": kind, "room": room, **{k: v for k, v in narrowed.items() if v}}
