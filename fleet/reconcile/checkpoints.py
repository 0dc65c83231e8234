"""The checkpoint of a device's part of a plan, and the work that writes it back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from fleet.model.plan import Phase, Target, Work
from fleet.model.settings import DeviceSettings, OutputSettings
from fleet.model.state import Reported
from fleet.reconcile.brackets import CLICKS, mute_work

NOTHING = OutputSettings()


def checkpoint(reported: Reported, work: Mapping[Phase, Work]) -> Target:
    """The present values of everything the work writes, and of everything a recall may move."""
    state, ability = reported.state, reported.description.slots
    recalls = Phase.RECALL in work
    written = DeviceSettings()
    for part in work.values():
        written = (part.settings or DeviceSettings()).over(written)
    outputs = {}
    for number, present in state.live.outputs.items():
        touched = present.only({*written.outputs.get(number, NOTHING).given(), *(ability.stores if recalls else ())})
        if touched.given():
            outputs[number] = touched
    wide = {*written.given(), *({"input"} & set(ability.stores) if recalls else ())}
    present_slots = (reported.slots.get(contents.slot) for part in work.values() for contents in part.slot_contents)
    return Target(
        active_slot=state.active_slot if recalls else None,
        live=DeviceSettings(outputs=outputs, **{name: getattr(state.live, name) for name in wide}),
        stored=tuple(c for c in present_slots if c is not None and c.outputs is not None),
    )


def undo_of(before: Target) -> dict[Phase, Work]:
    """Work that brings a checkpoint back by writing it, whatever the device is now: at once, without ramps.

    It is for the emergency in which a device cannot return by itself. From which level it would rise is not known
    then, and the fewer steps there are, the sooner the room is as it was: a level that was lowered is back in one.
    Only outputs whose mute the change touched are muted: any other was silent before and still is, or sounded on.
    """
    outputs = before.live.outputs
    all_click = before.active_slot is not None or before.live.input is not None
    work: dict[Phase, Work] = {}
    if clicking := [n for n, s in outputs.items() if s.mute is not None and (all_click or CLICKS & set(s.given()))]:
        work[Phase.MUTE] = mute_work(clicking, muted=True)
    if before.active_slot is not None:
        work[Phase.RECALL] = Work(recall=before.active_slot)
    settings = replace(before.live, outputs={n: replace(s, mute=s.mute or None) for n, s in outputs.items()})
    if not settings.empty():
        work[Phase.SET] = Work(settings=settings)
    if before.stored:
        work[Phase.STORE] = Work(slot_contents=before.stored)
    if unmute := [n for n, s in outputs.items() if s.mute is False]:
        work[Phase.UNMUTE] = mute_work(unmute, muted=False)
    return work
