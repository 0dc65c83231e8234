"""The checks in each mode of a room, and a check of the slots that modes have."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping
from dataclasses import replace
from itertools import combinations
from typing import Final

from fleet.desired.finding import PRACTICE, Check, Design, Remark, some
from fleet.desired.modes import stored_alike
from fleet.desired.sharing import disputed_in_modes
from fleet.desired.wording import quoted
from fleet.model.venue import Mode, Position, Room

NOT_IN_MODES: Final = frozenset({"muted", "power-up-slot"})
"""Checks that a mode may fail by intent: a box may be silent in it, and a power cut may end it."""


def remarks_in_modes(
    design: Design, checks: Mapping[str, Check], known: Collection[tuple[str, Remark]]
) -> Iterator[tuple[str, Remark]]:
    """(check, remark) of what the checks find in a mode of a room and not in the room without modes."""
    without = {(name, remark.about.name, remark.setting, remark.text) for name, remark in known}
    for room in design.rooms():
        for mode in room.modes:
            inside = _in_mode(design, room, mode)
            for name, check in checks.items():
                if name in NOT_IN_MODES:
                    continue
                for remark in check.look(inside):
                    if (name, remark.about.name, remark.setting, remark.text) not in without:
                        yield name, replace(remark, text=f"in mode {quoted(mode)}: {remark.text}", mode=mode)


def _in_mode(design: Design, room: Room, mode: str) -> Design:
    """The design of this room alone, in a mode."""
    venue = replace(design.version.venue, rooms={room.name: replace(room.in_mode(mode), modes={})})
    return replace(design, version=replace(design.version, venue=venue))


def mode_slot(design: Design) -> Iterator[Remark]:
    """One slot of a device for two modes that set it differently."""
    for room in design.rooms():
        for one, other in combinations(room.modes.values(), 2):
            for slot, positions in sorted(_both_in(design, one, other).items()):
                names = some([position.name for position in positions])
                text = (
                    f"slot {slot} of {names} would have to hold mode {quoted(one.name)} and mode {quoted(other.name)}, "
                    "which set it differently; give one of them another slot"
                )
                yield Remark("error", positions[0], "slot", text, tuple(positions[1:]), other.name)


def mode_sharing(design: Design) -> Iterator[Remark]:
    """A device that two positions want in different slots, or otherwise different as a whole, in a mode."""
    models = {device: description.model for device, description in design.descriptions.items()}
    for room, mode, one, other, setting in disputed_in_modes(design.version.venue.rooms, models):
        about, beside = (other, one) if other.room == room else (one, other)
        both = f"{quoted(about.name)} and {quoted(beside.name)} of room {quoted(beside.room)}"
        text = (
            f"in mode {quoted(mode)} {both} share device {quoted(about.device)} but disagree on {quoted(setting)}; "
            "give both the same, or name the other room in `together_with`"
        )
        yield Remark("error", about, setting, text, (beside,), mode)


def _both_in(design: Design, one: Mode, other: Mode) -> dict[int, list[Position]]:
    """Positions by the slot of their own that both modes have them in, and in which they are not alike."""
    found: dict[int, list[Position]] = defaultdict(list)
    for name, position in one.positions.items():
        description = design.descriptions.get(position.device)
        if description is None or position.life_safety:
            continue
        slot, there = _own_slot(position, description.model), other.positions[name]
        if slot is not None and slot == _own_slot(there, description.model) and not stored_alike(position, there):
            found[slot].append(position)
    return found


def _own_slot(position: Position, model: str) -> int | None:
    """The slot of a position in a mode, where that is not the slot of the room without modes."""
    slot = position.slot_for(model)
    return None if position.stored_as is None or position.stored_as.slot_for(model) == slot else slot


CHECKS: Final = (
    Check(
        name="mode-slot",
        look=mode_slot,
        severities=("error",),
        seeks="One slot of a device for two modes of its room that set it differently.",
        explains="A slot holds one thing: what was stored for the one mode would be recalled for the other. A mode "
        "without a slot of its own shares that of the room without modes, and what it has otherwise is set after it.",
        source=PRACTICE,
        silenceable=False,
    ),
    Check(
        name="mode-sharing",
        look=mode_sharing,
        severities=("error",),
        seeks="A device that two positions want to be different as a whole in a mode, its slot above all.",
        explains="A recall spans all outputs of a device: the mode of one room would move what plays in the other. "
        "Rooms that go along are taken in their modes, others without modes.",
        source=PRACTICE,
        silenceable=False,
    ),
)
