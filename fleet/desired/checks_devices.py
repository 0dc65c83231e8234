"""Checks of positions against the devices that serve them: known at all, able to do what is asked, slots usable."""

from __future__ import annotations

from collections.abc import Iterator

from fleet.desired.finding import Design, Remark
from fleet.desired.sharing import output_shared
from fleet.desired.wording import quoted
from fleet.model.names import shown


def output_twice(design: Design) -> Iterator[Remark]:
    """One output of a device given to two positions."""
    for first, other in output_shared(design.version.venue.positions()):
        owner = f"{quoted(first.name)} of room {quoted(first.room)}"
        text = f"output {other.output} of {quoted(other.device)} already serves {owner}"
        yield Remark("error", other, "device", text)


def unknown_device(design: Design) -> Iterator[Remark]:
    """A device that the inventory does not know. Says nothing where no device is known."""
    if not design.descriptions:
        return
    for position in design.version.venue.positions():
        if position.device not in design.descriptions:
            text = f"device {quoted(position.device)} has never been seen; nothing of it could be checked"
            yield Remark("warning", position, "device", text)


def not_representable(design: Design) -> Iterator[Remark]:
    """A setting that the device cannot represent, an output it does not have among them."""
    for position, description in design.described():
        model = f"{quoted(position.device)} ({shown(description.model)})"
        if description.output(position.output) is None:
            yield Remark("error", position, "output", f"{model} has no output {position.output}")
            continue
        for setting, problem in design.problems_of(position, description):
            yield Remark("error", position, setting, f"{quoted(position.name)} on {model}: {problem}")


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


def no_group(design: Design) -> Iterator[Remark]:
    """A position that belongs to no group, and so is reached with its room or by name only."""
    for position in design.version.venue.positions():
        if not position.groups and not position.life_safety:
            yield Remark("note", position, "", f"{quoted(position.name)} belongs to no group")
