"""Commands that change devices: apply, store, recall, rollback."""

from __future__ import annotations

from functools import partial
from typing import Annotated, Any

import typer

from fleet.errors import BadInput
from fleet.faces.cli import awaiting, completing, rounds, storing_again
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
    Mode,
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

LevelFromSlot = Annotated[
    bool, typer.Option("--level-from-slot", help="Levels as the slot holds them, not as somebody turned them.")
]
AlsoAgreed = Annotated[bool, typer.Option("--also-agreed", help="Put agreed deviations right as well.")]
AsOf = Annotated[
    str,
    typer.Option(
        "--as-of",
        metavar="WHEN",
        help="As it was meant to be at a date or time of the venue's clock, or as a snapshot found it.",
        show_default=False,
        autocompletion=completing.snapshots,
    ),
]
StoreAgain = Annotated[
    bool, typer.Option("--store-again", help="Then store what slots did not hold, as a second change.")
]
WhenUp = Annotated[
    str,
    typer.Option(
        "--when-up",
        metavar="TIME",
        help="First wait until every device of the room is up, at most for so long (2m).",
        show_default=False,
    ),
]
Positions = Annotated[
    list[str] | None,
    typer.Option(
        "--position",
        metavar="POSITION",
        help="Only this position (with its coherent set); repeatable.",
        show_default=False,
        autocompletion=completing.positions,
    ),
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
    also_agreed: AlsoAgreed = False,
    why: Why = "",
    home: Home = None,
    json: Json = False,
) -> None:
    """Put a room, a group or a position right, all of it or nothing. It is read back; where that fails, all goes back.

    Example: fleet apply weir-hall --group mains
    """
    narrowed = {"group": group, "position": position, "without": without, "also": also, "also_agreed": also_agreed}
    of_one = {**narrowed, "keep_within": keep_within, "expect": expect}
    named = rounds.room_or_every(room, every_room=every_room, stop_after=stop_after, of_one=of_one)
    how = How(allow=allow, yes=yes, plan_only=plan, why=why, home=home, json=json)
    if named is None:
        rounds.carry_out("apply", how, stop_after=stop_after)
    carry_out(_asked("apply", named, **narrowed), how, keep_within=keep_within, expect=expect)


def store(
    room: RoomName,
    mode: Mode = None,
    group: Group = None,
    position: Positions = None,
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

    Where a device lets the slot to power up in be chosen, that becomes this one, so that a power cut comes back right.

    Example: fleet store weir-hall --mode speech
    """
    asked = _asked("store", room, mode=mode, group=group, positions=position, without=without, also=also)
    carry_out(asked, How(allow=allow, yes=yes, plan_only=plan, why=why, home=home, json=json))


def recall(
    room: OneRoom = None,
    mode: Mode = None,
    group: Group = None,
    without: Without = None,
    also: Also = None,
    allow: Allow = None,
    keep_within: KeepWithin = "",
    level_from_slot: LevelFromSlot = False,
    also_agreed: AlsoAgreed = False,
    as_of: AsOf = "",
    store_again: StoreAgain = False,
    when_up: WhenUp = "",
    every_room: EveryRoom = False,
    stop_after: StopAfter = None,
    yes: Yes = False,
    plan: PlanOnly = False,
    why: Why = "",
    home: Home = None,
    json: Json = False,
) -> None:
    """Bring the stored house curve back. A box that does not answer is left out and named.

    With --mode the room comes into that mode, and with it every room that the mode goes together with. With --as-of it
    comes back to what it was meant to be, or was found to be, and no slot is trusted for that.

    Example: fleet recall weir-hall --mode speech
    """
    narrowed = {
        "mode": mode,
        "group": group,
        "without": without,
        "also": also,
        "also_agreed": also_agreed,
        "level_from_slot": level_from_slot,
    }
    of_one = {**narrowed, "keep_within": keep_within, "as-of": as_of, "store-again": store_again, "when-up": when_up}
    named = rounds.room_or_every(room, every_room=every_room, stop_after=stop_after, of_one=of_one)
    how = How(allow=allow, yes=yes, plan_only=plan, why=why, home=home, json=json)
    if named is None:
        rounds.carry_out("recall", how, stop_after=stop_after)
    if store_again and (as_of or keep_within):
        raise BadInput("--store-again goes neither with --as-of nor with a trial: what is stored is to last")
    if when_up:
        awaiting.until_up(named, when_up, home)
    asked = _asked("recall", named, as_of=as_of, **narrowed)
    after = None if as_of else partial(storing_again.after_recall, asked=asked, how=how, store=store_again)
    carry_out(asked, how, keep_within=keep_within, after=after)


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
