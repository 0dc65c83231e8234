"""What a recall leaves of a device's live settings."""

from __future__ import annotations

from dataclasses import replace

from fleet.model.settings import DeviceSettings
from fleet.model.state import Reported


def after_recall(reported: Reported, slot: int | None) -> DeviceSettings:
    """Live settings once `slot` is recalled; what an unreadable slot would bring is left out, since it is not known."""
    live = reported.state.live
    if slot is None:
        return live
    stores = reported.description.slots.stores
    contents = reported.slots.get(slot)
    if contents is None or contents.outputs is None:
        unmoved = {n: s.only(set(s.given()) - set(stores)) for n, s in live.outputs.items()}
        return replace(live, outputs=unmoved, input=None if "input" in stores else live.input)
    return DeviceSettings(
        input=contents.input if "input" in stores else None,
        outputs={n: s.only(stores) for n, s in contents.outputs.items()},
    ).over(live)
