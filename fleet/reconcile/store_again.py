"""Positions that want storing again, as the commands that do it. Pure."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

from fleet.model.listing import listed
from fleet.model.plan import Plan, Target
from fleet.model.venue import Venue
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.readback import deviations, readable
from fleet.reconcile.scope import Place, place
from fleet.reconcile.sealing import sealed


def with_offers(plan: Plan, venue: Venue, places: Collection[Place]) -> Plan:
    """A recall that offers to store these positions again, once they are right."""
    if not places:
        return plan
    return sealed(replace(plan, afterwards=offers(venue, places), store_again=tuple(sorted(places))))


def stale_slots(outlook: Outlook, places: Collection[Place]) -> tuple[Place, ...]:
    """Those of the places whose slots tell what they hold, and that is not what they should."""
    stale = []
    for device, want in outlook.wants.items():
        reported = outlook.reported.get(device)
        if reported is None or want.stored is None or not readable(reported, want.stored.slot):
            continue
        if deviations(Target(stored=(want.stored,)), reported):
            stale += [place(o.position) for o in want.outputs.values() if place(o.position) in places]
    return tuple(sorted(stale))


def store_commands(venue: Venue, places: Collection[Place]) -> tuple[str, ...]:
    """The command for each room: for all of it, for a group where that is it exactly, else for its positions."""
    return tuple(f"fleet store {room}{_narrowed(venue, room, names)}" for room, names in _by_room(places).items())


def offers(venue: Venue, places: Collection[Place]) -> tuple[str, ...]:
    """What is to be told after a recall, a sentence for each room."""
    by_room = _by_room(places)
    return tuple(
        f"the house-curve slots of {listed(names)} do not hold what they should: `{command}` stores them again"
        if len(names) > 1
        else f"the house-curve slot of {names[0]} does not hold what it should: `{command}` stores it again"
        for names, command in zip(by_room.values(), store_commands(venue, places), strict=True)
    )


def _by_room(places: Collection[Place]) -> dict[str, list[str]]:
    return {room: sorted(name for r, name in places if r == room) for room in sorted({r for r, _ in places})}


def _narrowed(venue: Venue, room: str, names: Collection[str]) -> str:
    there = venue.rooms[room]
    if set(names) == {p.name for p in there.positions.values() if not p.life_safety}:
        return ""
    group = next((g for g, one in sorted(there.groups.items()) if set(one.positions) == set(names)), None)
    return f" --group {group}" if group else "".join(f" --position {name}" for name in sorted(names))
