"""The commands that mute a room at once, and take that back."""

from __future__ import annotations

from fleet.faces.cli import options
from fleet.faces.cli.carrying_out import How, carry_out
from fleet.faces.cli.options import Group, Home, Json, PlanOnly, Position, RoomName, Why, Yes


def mute(
    room: RoomName,
    group: Group = None,
    position: Position = None,
    plan: PlanOnly = False,
    why: Why = "",
    home: Home = None,
    json: Json = False,
) -> None:
    """Mute what sounds in a room, at once. Nothing asks, also on hold and with a guest.

    Life-safety positions are left alone, and a box that does not answer is named: it may sound on. A mute is no
    isolation.

    Example: fleet mute weir-hall --group mains
    """
    asked = {"kind": "mute", "room": room, "group": group, "position": position}
    how = How(yes=True, plan_only=plan, why=why, home=home, json=json)
    carry_out({k: v for k, v in asked.items() if v}, how)


def unmute(
    room: RoomName,
    yes: Yes = False,
    plan: PlanOnly = False,
    why: Why = "",
    home: Home = None,
    json: Json = False,
) -> None:
    """Take the last mute of a room back. What it muted rises again, and nothing else.

    What somebody else has muted since stays muted. On hold only whoever holds the room may do it.

    Example: fleet unmute weir-hall
    """
    how = How(yes=yes, plan_only=plan, why=why, home=home, json=json)
    carry_out({"kind": "unmute", "room": room, "who": options.who()}, how)
