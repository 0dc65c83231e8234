"""What a device is after a power cut: as it was, or in a slot. Pure."""

from __future__ import annotations

from fleet.model.description import Description
from fleet.model.listing import listed
from fleet.model.settings import DeviceSettings
from fleet.reconcile.wanted import WantedDevice
from fleet.reconcile.wanted_slots import unstored


def wakes_in(description: Description, live: DeviceSettings) -> int | None:
    """The slot a device comes back in after a power cut; `None` where it comes back as it was kept last."""
    power_up = description.power_up
    if power_up.behaviour == "last_state":
        return None
    return (live.power_up_slot if power_up.slot_settable else None) or power_up.slot


def power_up_to_store(want: WantedDevice) -> int | None:
    """The power-up slot that goes with a stored house curve: the file's, else the house-curve slot where it matters."""
    if want.power_up_slot is not None:
        return want.power_up_slot
    power_up = want.description.power_up
    house = want.plain_slot or want.slot
    return house if power_up.slot_settable and power_up.behaviour == "default_slot" else None


def wrong_after_power_cut(want: WantedDevice, live: DeviceSettings) -> str:
    """How a device comes back wrong although its house-curve slot is right, in words; empty where it does not."""
    if wrong := wrong_slot_after_power_cut(want, live):
        return wrong
    in_a_slot = want.slot is not None and wakes_in(want.description, live) is not None
    lost = unstored(want.description, want.input, want.outputs) if in_a_slot else []
    return f"comes back without its {listed(lost)}, which its slots do not store" if lost else ""


def wrong_slot_after_power_cut(want: WantedDevice, live: DeviceSettings) -> str:
    """The slot in which a device comes back where that is not its house-curve slot, in words."""
    slot, house = wakes_in(want.description, live), want.plain_slot or want.slot
    if slot is None or house in (None, slot):
        return ""
    why = "" if want.description.power_up.slot_settable else ", which cannot be changed"
    return f"comes back in slot {slot}{why}, not in its house-curve slot {house}"
