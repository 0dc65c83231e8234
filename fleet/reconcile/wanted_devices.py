"""Devices as they should be: the desired state of their positions, brought to what each device can hold."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import TypeVar

from fleet.errors import BadInput, FleetError, NotFound
from fleet.model.description import Description
from fleet.model.listing import listed
from fleet.model.settings import DeviceSettings, OutputSettings
from fleet.model.venue import Position, Room, Venue
from fleet.reconcile.alignment import alignment_delay_ms
from fleet.reconcile.fitted import TargetFit, target_fit
from fleet.reconcile.wanted import Represent, WantedDevice, WantedOutput
from fleet.reconcile.wanted_slots import plain_slot, slot_problems, stored_contents

T = TypeVar("T", bound=Hashable)


def wanted_device(
    venue: Venue, device: str, descriptions: Mapping[str, Description], represent: Represent
) -> WantedDevice:
    """What one device should be.

    Raises `NotFound` where no position is bound to it, and `BadInput` that names the positions whose settings it
    cannot hold or that disagree about it.
    """
    return _wanted(venue, device, venue.positions_of(device), descriptions, represent)


def wanted_devices(
    venue: Venue, devices: Iterable[str], descriptions: Mapping[str, Description], represent: Represent
) -> tuple[dict[str, WantedDevice], dict[str, FleetError]]:
    """What many devices should be, and what is wrong with the others, both by id. Quick for thousands."""
    positions: dict[str, list[Position]] = {}
    for position in venue.positions():
        positions.setdefault(position.device, []).append(position)
    wanted: dict[str, WantedDevice] = {}
    wrong: dict[str, FleetError] = {}
    for device in devices:
        own = sorted(positions.get(device, ()), key=lambda p: p.output)
        try:
            wanted[device] = _wanted(venue, device, own, descriptions, represent)
        except BadInput as error:
            wrong[device] = error
    return wanted, wrong


def _wanted(
    venue: Venue,
    device: str,
    positions: Sequence[Position],
    descriptions: Mapping[str, Description],
    represent: Represent,
) -> WantedDevice:
    if not positions:
        raise NotFound(f"no position is bound to {device}")
    description = descriptions.get(device)
    if description is None:
        raise BadInput(f"{device} has not told what it can do", where=_place(positions[0]))
    _refuse_shared_output(positions)
    if any(p.life_safety for p in positions):
        untouched = {p.output: WantedOutput(position=p) for p in positions}
        return WantedDevice(device=device, description=description, outputs=untouched)

    outputs = _outputs(venue.rooms.__getitem__, positions, descriptions, represent)
    outputs = _with_kept(outputs, lambda room: venue.rooms[room].without_modes(), description, descriptions, represent)
    wide = _wide(description, positions, represent)
    slot = _agreed("slot", {_place(p): p.slot_for(description.model) for p in positions})
    if slot is not None and slot > description.slots.count:
        raise BadInput(f"{device} has no slot {slot}: it has {description.slots.count}", where=_place(positions[0]))
    stored = stored_contents(venue, slot, _stored_input(positions, description, wide), description, outputs)
    return WantedDevice(
        device=device,
        description=description,
        outputs=outputs,
        input=wide.input,
        panel_locked=wide.panel_locked,
        power_up_slot=wide.power_up_slot,
        slot=slot,
        stored=stored,
        plain_slot=plain_slot(positions, description),
        problems=slot_problems(slot, description, wide.input, outputs),
    )


def _wide(description: Description, positions: Sequence[Position], represent: Represent) -> DeviceSettings:
    asked = DeviceSettings(
        input=_agreed("input", {_place(p): p.input for p in positions}),
        panel_locked=_agreed("panel_locked", {_place(p): p.panel_locked for p in positions}),
        power_up_slot=_agreed("power_up_slot", {_place(p): p.power_up_slot for p in positions}),
    )
    try:
        return represent(description, asked)
    except BadInput as error:
        raise BadInput(str(error), where=listed([_place(p) for p in positions])) from None


def _outputs(
    room_of: Callable[[str], Room],
    positions: Sequence[Position],
    descriptions: Mapping[str, Description],
    represent: Represent,
) -> dict[int, WantedOutput]:
    outputs: dict[int, WantedOutput] = {}
    complaints: list[str] = []
    for position in positions:
        try:
            fit = target_fit(position, descriptions[position.device])
            settings = _with_bands(_delayed(room_of(position.room), position, descriptions), fit)
            asked = DeviceSettings(outputs={position.output: settings})
            held = represent(descriptions[position.device], asked).outputs[position.output]
        except BadInput as error:
            text = str(error)
            complaints.append(text if text.startswith(_place(position)) else f"{_place(position)}: {text}")
        else:
            outputs[position.output] = WantedOutput(position=position, settings=held, between=position.between, fit=fit)
    if complaints:
        raise BadInput("; ".join(complaints))
    return outputs


def _with_kept(
    outputs: Mapping[int, WantedOutput],
    plain: Callable[[str], Room],
    description: Description,
    descriptions: Mapping[str, Description],
    represent: Represent,
) -> dict[int, WantedOutput]:
    """The outputs, each with what its slot keeps of it where its mode has no slot of its own."""
    stored = {n: o.position.stored_for(description.model) for n, o in outputs.items()}
    apart = [position for n, position in stored.items() if position is not outputs[n].position]
    if not apart:
        return dict(outputs)
    kept = _outputs(plain, apart, descriptions, represent)
    return {n: replace(o, kept=kept.get(n)) for n, o in outputs.items()}


def _stored_input(positions: Sequence[Position], description: Description, wide: DeviceSettings) -> str | None:
    """The input that the slot holds."""
    stored = [p.stored_for(description.model) for p in positions]
    if all(a is b for a, b in zip(stored, positions, strict=True)):
        return wide.input
    return _agreed("input", {_place(p): p.input for p in stored})


def _delayed(room: Room, position: Position, descriptions: Mapping[str, Description]) -> OutputSettings:
    if position.time_align is None:
        return position.fixed
    latencies_ms = {
        p.device: descriptions[p.device].latency_ms for p in room.positions.values() if p.device in descriptions
    }
    return replace(position.fixed, delay_ms=alignment_delay_ms(room, position.name, latencies_ms))


def _with_bands(settings: OutputSettings, fit: TargetFit | None) -> OutputSettings:
    return settings if fit is None else replace(settings, eq=(*fit.bands, *(settings.eq or ())))


def _agreed(name: str, values: Mapping[str, T | None]) -> T | None:
    """The one value that positions of a device ask for; those that ask for nothing do not disagree."""
    asked = {place: value for place, value in values.items() if value is not None}
    if len(set(asked.values())) > 1:
        said = "; ".join(f"{place} wants {value}" for place, value in asked.items())
        raise BadInput(f"positions of one device disagree about {name}: {said}")
    return next(iter(asked.values()), None)


def _refuse_shared_output(positions: Sequence[Position]) -> None:
    for first, second in pairwise(positions):
        if first.output == second.output:
            raise BadInput(
                f"{_place(first)} and {_place(second)} are both bound to output {first.output} of {first.device}"
            )


def _place(position: Position) -> str:
    return f"{position.room}/{position.name}"
