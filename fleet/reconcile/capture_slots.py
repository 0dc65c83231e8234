"""Which preset slot a captured device may be asked to be in: its active one, if that holds what is live."""

from __future__ import annotations

from collections.abc import Sequence

from fleet.model.listing import listed
from fleet.model.settings import STORABLE, OutputSettings
from fleet.model.state import Reported
from fleet.reconcile.capture_values import CapturedOutput, same
from fleet.reconcile.words import SETTING_WORDS


def slot_to_want(reported: Reported, outputs: Sequence[CapturedOutput]) -> tuple[int | None, str]:
    """The active slot, where it holds the live settings as far as slots store them; else `None`, and why not.

    Wanting a slot means wanting the settings in it: one that holds others would differ at once.
    """
    slot, ability = reported.state.active_slot, reported.description.slots
    if slot is None:
        return None, "in no preset slot: none is asked for" if ability.count else ""
    if not 1 <= slot <= ability.count:
        return None, f"slot {slot} is active, and is not among its {ability.count}: none is asked for"
    if slot in ability.factory:
        return None, f"slot {slot} is active and is the factory's, which cannot be stored to: none is asked for"
    contents = reported.slots.get(slot)
    if contents is None or contents.outputs is None:
        return None, f"slot {slot} is active, but what it holds cannot be read: none is asked for"
    others = [
        SETTING_WORDS[setting]
        for setting in STORABLE
        if setting in ability.stores
        and any(
            setting in one.values
            and not same(getattr(contents.outputs.get(one.output, OutputSettings()), setting), one.live(setting))
            for one in outputs
        )
    ]
    if "input" in ability.stores and any(one.values.get("input", contents.input) != contents.input for one in outputs):
        others.append(SETTING_WORDS["input"])
    if others:
        return None, f"slot {slot} is active, but holds another {listed(others)}: none is asked for"
    return slot, ""
