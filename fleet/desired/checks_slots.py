"""Checks of preset slots: there, writable, holding what is managed, and come back to after a power cut."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from typing import Final

from fleet.desired.finding import PRACTICE, Check, Design, Remark, some
from fleet.desired.wording import quoted
from fleet.model.description import Description
from fleet.model.listing import listed
from fleet.model.names import shown
from fleet.model.settings import STORABLE
from fleet.model.venue import Position
from fleet.reconcile.words import SETTING_WORDS


def slot_usable(design: Design) -> Iterator[Remark]:
    """A wanted slot that the device does not have, or that is the factory's and cannot hold the house curve."""
    for position, description in design.described():
        slot = position.slot_for(description.model)
        model = f"{quoted(position.device)} ({shown(description.model)})"
        if slot is None:
            continue
        if slot > description.slots.count:
            text = f"slot {slot} does not exist: {model} has {description.slots.count}"
            yield Remark("error", position, "slot", text)
        elif slot in description.slots.factory:
            text = f"slot {slot} of {model} is the factory's and locked; choose a user slot"
            yield Remark("error", position, "slot", text)


def slot_missing(design: Design) -> Iterator[Remark]:
    """A model for which `slots` names no house-curve slot though other models have one."""
    for position, description in design.described():
        if position.slots and position.slot_for(description.model) is None:
            text = (
                f"no slot for model {quoted(description.model)} of {quoted(position.name)}; add it to `slots`, or `*`"
            )
            yield Remark("warning", position, "slot", text)


def power_up_slot(design: Design) -> Iterator[Remark]:
    """A power-up slot that could be the house-curve slot and is another."""
    for position, description in design.described():
        house, power_up = position.slot_for(description.model), description.power_up
        wakes_in = position.power_up_slot or power_up.slot
        if not power_up.slot_settable or house is None or wakes_in == house:
            continue
        wakes = f"in slot {wakes_in}" if wakes_in else "in no slot that it tells"
        text = (
            f"{quoted(position.device)} of {quoted(position.name)} comes back {wakes} after a power cut, "
            f"not in the house-curve slot; give `power_up_slot: {house}`"
        )
        yield Remark("warning", position, "power_up_slot", text)


def slot_partial(design: Design) -> Iterator[Remark]:
    """Settings that are managed and that the house-curve slot of the model does not store."""
    by_words: dict[tuple[str, str, str], list[Position]] = defaultdict(list)
    for position, description in design.described():
        lost = _not_stored(position, description)
        if lost and position.slot_for(description.model) is not None:
            by_words[position.room, description.model, listed(lost)].append(position)
    for (_, model, lost_words), positions in by_words.items():
        names = some([position.name for position in positions])
        text = f"slots of {quoted(model)} ({names}) do not store {lost_words}: a recall alone does not bring it back"
        yield Remark("note", positions[0], "slot", text, tuple(positions[1:]))


def _not_stored(position: Position, description: Description) -> list[str]:
    managed = {*position.fixed.given(), *(["delay_ms"] if position.time_align else [])}
    managed |= {"input"} if position.input is not None else set()
    names = [name for name in (*STORABLE, "input") if name in managed - set(description.slots.stores)]
    return [SETTING_WORDS[name] for name in names]


CHECKS: Final = (
    Check(
        name="slot",
        look=slot_usable,
        severities=("error",),
        seeks="A wanted slot that the device does not have, or that is the factory's and locked.",
        explains="The house curve could not be stored there.",
        source=PRACTICE,
        silenceable=False,
    ),
    Check(
        name="slot-missing",
        look=slot_missing,
        severities=("warning",),
        seeks="A model for which `slots` names no house-curve slot though other models of the room have one.",
        explains="The room would be recalled, and this box would stay as it was.",
        source=PRACTICE,
    ),
    Check(
        name="power-up-slot",
        look=power_up_slot,
        severities=("warning",),
        seeks="A device whose power-up slot can be set, and that would wake in another slot than the house curve's.",
        explains="After a power cut it sounds of another preset until somebody recalls the room.",
        source=PRACTICE,
    ),
    Check(
        name="slot-partial",
        look=slot_partial,
        severities=("note",),
        seeks="Settings that are managed and that slots of the model do not store.",
        explains="A recall does not bring them back by itself; they stay what they were. Mute is stored in no slot and "
        "is not counted.",
        source=PRACTICE,
    ),
)
