"""What slots of a device should hold, and what of a wish they cannot."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from fleet.model.description import Description
from fleet.model.listing import listed
from fleet.model.names import shown
from fleet.model.settings import STORABLE, SlotContents
from fleet.model.venue import Position, Venue
from fleet.reconcile.wanted import WantedOutput
from fleet.reconcile.words import SETTING_WORDS


def stored_contents(
    venue: Venue,
    slot: int | None,
    wanted_input: str | None,
    description: Description,
    outputs: Mapping[int, WantedOutput],
) -> SlotContents | None:
    """What the house-curve slot should hold; what may lie in a range keeps the contents it had."""
    if slot is None:
        return None
    held = set(description.slots.stores) & set(STORABLE)
    _, first = min(outputs.items())
    room = venue.rooms[first.position.room]
    stored = {number: o.kept or o for number, o in outputs.items()}
    return SlotContents(
        slot=slot,
        name=(room.without_modes() if first.kept else room).house_curve or "",
        input=wanted_input if "input" in description.slots.stores else None,
        outputs={number: o.settings.only(held - set(o.between)) for number, o in stored.items()},
    )


def plain_slot(positions: Sequence[Position], description: Description) -> int | None:
    """The slot of the room without modes; where rooms of a device do not agree on one, it is none."""
    slots = {(p.stored_as or p).slot_for(description.model) for p in positions} - {None}
    return slots.pop() if len(slots) == 1 and any(p.stored_as is not None for p in positions) else None


def unstored(description: Description, wanted_input: str | None, outputs: Mapping[int, WantedOutput]) -> list[str]:
    """What is wanted of a device and no slot of it stores, in words. A mute never is, and is not counted."""
    wanted = {name for o in outputs.values() for name in o.settings.given()} - {"mute"}
    if wanted_input is not None:
        wanted.add("input")
    return [SETTING_WORDS[name] for name in (*STORABLE, "input") if name in wanted - set(description.slots.stores)]


def slot_problems(
    slot: int | None, description: Description, wanted_input: str | None, outputs: Mapping[int, WantedOutput]
) -> tuple[str, ...]:
    """What about the house-curve slot the device cannot keep, in words."""
    if slot is None:
        return ()
    problems: list[str] = []
    model = shown(description.model)
    if slot in description.slots.factory:
        problems.append(f"slot {slot} of {model} is the factory's: nothing can be stored in it")
    if lost := unstored(description, wanted_input, outputs):
        problems.append(f"slots of {model} do not store {listed(lost)}: a recall alone does not bring it back")
    return tuple(problems)
