"""What the slots of a device are to hold, in every mode that its rooms know. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from fleet.model.days import HOUSE_MODE
from fleet.model.description import Description
from fleet.model.names import Name
from fleet.model.plan import Target
from fleet.model.settings import DeviceSettings, SlotContents
from fleet.model.state import Reported
from fleet.model.venue import Venue
from fleet.reconcile.readback import deviations, readable
from fleet.reconcile.wanted import Represent
from fleet.reconcile.wanted_devices import wanted_devices


@dataclass(frozen=True, slots=True, kw_only=True)
class SlotOfMode:
    """What the slot of a mode is to hold; `mode` is one of `room`'s, and the first that wants this slot."""

    room: Name
    mode: Name
    contents: SlotContents


def slots_of_modes(
    venue: Venue, device: str, descriptions: Mapping[str, Description], represent: Represent
) -> tuple[SlotOfMode, ...]:
    """A device's slots, each once: those of its rooms without modes first, then those of their modes.

    `venue` is in no modes. Rooms that come into a mode together are taken together.
    """
    found: dict[int, SlotOfMode] = {}
    for room in sorted({p.room for p in venue.positions_of(device)}):
        modes = {HOUSE_MODE: {}, **{name: mode.together_with for name, mode in venue.rooms[room].modes.items()}}
        for mode, others in modes.items():
            wants, _ = wanted_devices(venue.in_modes({**others, room: mode}), [device], descriptions, represent)
            contents = wants[device].stored if device in wants else None
            if contents is not None:
                found.setdefault(contents.slot, SlotOfMode(room=room, mode=mode, contents=contents))
    return tuple(found.values())


def not_held(slots: Iterable[SlotOfMode], reported: Reported) -> tuple[SlotOfMode, ...]:
    """Slots that a device may write to and that do not hold what they are to, or do not tell what they hold."""
    factory = reported.description.slots.factory
    return tuple(
        one
        for one in slots
        if one.contents.slot not in factory
        and (not readable(reported, one.contents.slot) or deviations(Target(stored=(one.contents,)), reported))
    )


def is_live(contents: SlotContents, live: DeviceSettings) -> bool:
    """Whether contents are what is to be live, as far as outputs are in both."""
    return all(
        getattr(settings, name) == getattr(live.outputs[number], name)
        for number, settings in (contents.outputs or {}).items()
        if number in live.outputs
        for name in settings.given()
    )
