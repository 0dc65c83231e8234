"""Checks of positions against the devices that serve them: known at all, shared, able to do what is asked."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from typing import Final

from fleet.desired.finding import PRACTICE, Check, Design, Remark, some
from fleet.desired.members import equals_of_sets
from fleet.desired.sharing import output_shared
from fleet.desired.wording import quoted
from fleet.model.description import OutputDescription, Range
from fleet.model.listing import listed
from fleet.model.names import shown
from fleet.model.venue import Position

STEP_DB: Final = 0.05
STEP_MS: Final = 0.05
"""What a device may round off unsaid (common practice, no published source)."""


def output_twice(design: Design) -> Iterator[Remark]:
    """One output of a device given to two positions."""
    for first, other in output_shared(design.version.venue.positions()):
        owner = f"{quoted(first.name)} of room {quoted(first.room)}"
        text = f"output {other.output} of {quoted(other.device)} already serves {owner}"
        yield Remark("error", other, "device", text)


def device_shared(design: Design) -> Iterator[Remark]:
    """A device that serves positions of two rooms."""
    first: dict[str, Position] = {}
    for position in design.version.venue.positions():
        owner = first.setdefault(position.device, position)
        if owner.room != position.room:
            text = (
                f"device {quoted(position.device)} is shared with room {quoted(owner.room)} ({quoted(owner.name)}): "
                "a recall or restart in one room is heard in the other"
            )
            yield Remark("note", position, "device", text, (owner,))


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


def off_step(design: Design) -> Iterator[Remark]:
    """A level or delay between two steps of the device, which keeps the nearest."""
    for position, description in design.described():
        output = description.output(position.output)
        for setting, wanted, steps, least in _stepped(position, output) if output else ():
            kept = steps.nearest(wanted)
            if steps.contains(wanted) and abs(kept - wanted) > least + 1e-9:
                text = (
                    f"{quoted(position.device)} keeps {kept:g} for the {setting} of {wanted:g}: its step is "
                    f"{steps.step:g}"
                )
                yield Remark("note", position, setting, text)


def panel_unlocked(design: Design) -> Iterator[Remark]:
    """Front panels that could be locked and that nobody manages."""
    by_room: dict[str, list[Position]] = defaultdict(list)
    for position, description in design.described():
        if description.panel_lock and position.panel_locked is None:
            by_room[position.room].append(position)
    for name, positions in by_room.items():
        names = some([position.name for position in positions])
        room = design.version.venue.rooms[name]
        yield Remark("note", room, "", f"the front panels of {names} can be locked; manage `panel_locked`")


def unlike_devices(design: Design) -> Iterator[Remark]:
    """Different models, or one model with different firmware, within a coherent set."""
    for room in design.rooms():
        for group, members in equals_of_sets(room):
            known = [(p, d) for p in members if (d := design.descriptions.get(p.device)) is not None]
            for setting in ("model", "firmware"):
                values = {shown(getattr(description, setting)) for _, description in known}
                if len(values) > 1:
                    names = some([position.name for position, _ in known])
                    text = (
                        f"{names} play as one set ({quoted(group)}) with different {setting}: {listed(sorted(values))}"
                    )
                    yield Remark("warning", known[0][0], "device", text, tuple(p for p, _ in known[1:]))
                    break


def no_group(design: Design) -> Iterator[Remark]:
    """A position that belongs to no group, and so is reached with its room or by name only."""
    for position in design.ours():
        if not position.groups:
            yield Remark("note", position, "", f"{quoted(position.name)} belongs to no group")


def _stepped(position: Position, output: OutputDescription) -> Iterator[tuple[str, float, Range, float]]:
    if position.fixed.level_db is not None:
        yield "level_db", position.fixed.level_db, output.level_db, STEP_DB
    if position.fixed.delay_ms is not None and output.delay_ms is not None:
        yield "delay_ms", position.fixed.delay_ms, output.delay_ms, STEP_MS


CHECKS: Final = (
    Check(
        name="output-shared",
        look=output_twice,
        severities=("error",),
        seeks="One output of a device given to two positions.",
        explains="An output can be one thing only; the files are refused for it at loading too.",
        source=PRACTICE,
        silenceable=False,
    ),
    Check(
        name="device-shared",
        look=device_shared,
        severities=("note",),
        seeks="A device that serves positions of two rooms.",
        explains="Preset slots and restarts span all outputs of a device, so recalling one room can be heard in the "
        "other; a recall then wants the other room to be named too.",
        source=PRACTICE,
    ),
    Check(
        name="unknown-device",
        look=unknown_device,
        severities=("warning",),
        seeks="A device that has never been seen, while others have.",
        explains="A slip in an id looks just like a box that is switched off. Nothing of it can be checked.",
        source=PRACTICE,
    ),
    Check(
        name="not-representable",
        look=not_representable,
        severities=("error",),
        seeks="A setting beyond the device's ranges, bands, shapes, slopes, inputs or outputs.",
        explains="What a device cannot hold is never written to it: the whole change would be refused.",
        source=PRACTICE,
        silenceable=False,
    ),
    Check(
        name="off-step",
        look=off_step,
        severities=("note",),
        seeks="A level or delay between two steps of the device, off by more than 0.05 dB or 0.05 ms.",
        explains="The device keeps the nearest step, and comparisons are with that. 0.05 ms are 17 mm of air.",
        source=PRACTICE,
    ),
    Check(
        name="panel-unlocked",
        look=panel_unlocked,
        severities=("note",),
        seeks="Devices whose front panel can be locked and for which `panel_locked` is not managed.",
        explains="Buttons in reach of guests are the commonest cause of drift.",
        source=PRACTICE,
    ),
    Check(
        name="unlike-devices",
        look=unlike_devices,
        severities=("warning",),
        seeks="Members of a coherent set, of one role, with different models or firmware.",
        explains="Models differ in phase, latency and directivity, and so may versions of firmware: equal settings "
        "then do not sound equal, and the sum is not what the settings say.",
        source=PRACTICE,
    ),
    Check(
        name="no-group",
        look=no_group,
        severities=("note",),
        seeks="A position that belongs to no group.",
        explains="It is reached with its room or by its own name only.",
        source=PRACTICE,
    ),
)
