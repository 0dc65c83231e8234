"""Checks of devices that stand in for others, and of spares."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from fleet.desired.finding import PRACTICE, Check, Design, Remark
from fleet.desired.wording import quoted


def temporary_swap(design: Design) -> Iterator[Remark]:
    """A device that stands in for another, and whether the day until which it may is past."""
    for position in design.ours():
        if (stand_in := position.stands_in) is None:
            continue
        who = f"{quoted(position.device)} stands in for {quoted(stand_in.instead_of)}"
        until = stand_in.until.isoformat()
        if design.today is not None and design.today > stand_in.until:
            text = f"{who}, which was to end on {until}: put in a device that can do all, or agree on a later day"
            yield Remark("warning", position, "device", text)
        else:
            yield Remark("note", position, "device", f"{who} until {until}")


CHECKS: Final = (
    Check(
        name="temporary-swap",
        look=temporary_swap,
        severities=("note", "warning"),
        seeks="A device that stands in for another (`stands_in`), as a warning once its last day is past.",
        explains="A spare that cannot do all that the device before it did is put in for a time, with settings of its "
        "own. What is forgotten stays: 1 day after its last day it is a warning.",
        source=PRACTICE,
        silenceable=False,
    ),
)
