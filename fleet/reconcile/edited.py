"""Whether somebody has edited a device: its live settings no longer equal the contents of its active slot."""

from __future__ import annotations

from fleet.model.state import Reported
from fleet.reconcile.exact import same_setting


def edited(reported: Reported) -> bool | None:
    """True where live settings differ, exactly, from what the active slot holds; `None` where that cannot be told.

    It cannot without an active slot, or where the slot's contents are not readable. What the slot does not store is
    not compared.
    """
    state = reported.state
    contents = reported.slots.get(state.active_slot) if state.active_slot is not None else None
    if contents is None or contents.outputs is None:
        return None
    if contents.input is not None and contents.input != state.live.input:
        return True
    return any(
        not same_setting(reported.description, number, name, getattr(stored, name), getattr(state.output(number), name))
        for number, stored in contents.outputs.items()
        for name in stored.given()
        if name != "mute"
    )
