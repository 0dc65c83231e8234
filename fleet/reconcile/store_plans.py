"""The plan of a store: whole desired settings into the house-curve slots, and a power cut that ends in them. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from fleet.errors import Refused
from fleet.model.listing import listed
from fleet.model.plan import DevicePlan, LeftOut, Plan, Target
from fleet.model.settings import DeviceSettings, SlotContents
from fleet.model.state import Reported
from fleet.model.venue import Position
from fleet.reconcile.device_plan import device_plan
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.plans import by_device
from fleet.reconcile.power_up import power_up_to_store, wrong_after_power_cut
from fleet.reconcile.reach import Goal
from fleet.reconcile.readback import deviations, readable
from fleet.reconcile.scope import Scope, place, work_out
from fleet.reconcile.sealing import finish, sealed
from fleet.reconcile.wanted import WantedDevice


def plan_store(outlook: Outlook, scope: Scope) -> Plan:
    """Write whole desired settings into the house-curve slots of a scope, where they are not there already.

    Where the slot to power up in can be chosen, it becomes the house-curve slot, or what the file says. `afterwards`
    tells what could not be verified, and which boxes come back wrong after a power cut all the same.
    Raises `Refused` for a factory slot, and for a model that stores only what is live while it is not.
    """
    scoped = work_out(outlook.venue, scope, outlook.unreachable)
    plans: list[DevicePlan | None] = []
    left_out = list(scoped.left_out)
    notes, afterwards = list(scoped.notes), list[str]()
    wrong_after: dict[tuple[str, str], list[str]] = {}
    for device, positions in by_device(outlook, scoped).items():
        want, reported = outlook.wants[device], outlook.reported[device]
        if want.slot is None or want.stored is None:
            left_out += _slotless(positions)
            continue
        contents = _to_write(want, want.stored, reported)
        if contents and not readable(reported, want.slot):
            notes.append(f"{device} does not tell what its inactive slots hold: the store cannot be verified")
            afterwards.append(f"slot {want.slot} of {device} could not be verified: it does not tell what it holds")
        power_up = power_up_to_store(want)
        live = DeviceSettings(power_up_slot=power_up if power_up != reported.state.live.power_up_slot else None)
        if wrong := wrong_after_power_cut(want, live.over(reported.state.live)):
            names = ", ".join(p.name for p in positions)
            wrong_after.setdefault((positions[0].room, wrong), []).append(f"{names} ({device})")
        goal = Goal(live=live, store=contents)
        plans.append(device_plan(outlook, device, goal, tuple(place(p) for p in positions)))
    scoped = replace(scoped, left_out=tuple(left_out), notes=tuple(notes))
    afterwards += [_after_power_cut(room, names, wrong) for (room, wrong), names in wrong_after.items()]
    return sealed(replace(finish("store", outlook, scope, scoped, plans), afterwards=tuple(afterwards)))


def _to_write(want: WantedDevice, stored: SlotContents, reported: Reported) -> tuple[SlotContents, ...]:
    """What is to be written into the slot: nothing where it can be read and is there."""
    slots = reported.description.slots
    if stored.slot in slots.factory:
        raise Refused(f"slot {stored.slot} of {want.device} is the factory's and locked", remedy="Choose a user slot.")
    if readable(reported, stored.slot) and not deviations(Target(stored=(stored,)), reported):
        return ()
    if slots.store_needs_live:
        live = DeviceSettings(input=stored.input, outputs=stored.outputs or {})
        if apart := deviations(Target(live=live), reported):
            raise Refused(
                f"{want.device} stores only what is live, and it is not as desired: {apart[0]}",
                remedy="Apply the room first, then store.",
            )
    return (stored,)


def _after_power_cut(room: str, names: Sequence[str], wrong: str) -> str:
    each, them = ("", "it") if len(names) == 1 else ("each of ", "them")
    return f"after a power cut {each}{listed(names)} {wrong}; `fleet recall {room}` brings {them} back"


def _slotless(positions: Sequence[Position]) -> list[LeftOut]:
    return [
        LeftOut(room=p.room, position=p.name, device=p.device, words=f"{p.device} has no house-curve slot")
        for p in positions
    ]
