"""The plans of apply, recall and store, made from desired and reported state. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from fleet.errors import Refused
from fleet.model.plan import DevicePlan, LeftOut, Plan, Target
from fleet.model.settings import DeviceSettings
from fleet.model.state import Reported
from fleet.model.venue import Position
from fleet.reconcile.device_plan import device_plan
from fleet.reconcile.goals import live_goal
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.reach import Goal
from fleet.reconcile.readback import deviations
from fleet.reconcile.scope import Scope, Scoped, place, work_out
from fleet.reconcile.sealing import finish


def plan_apply(outlook: Outlook, scope: Scope) -> Plan:
    """Make the live settings of a scope what is desired.

    Raises `NotFound` for unknown names and `Refused` where a device of the scope cannot take part.
    """
    scoped = work_out(outlook.venue, scope, outlook.unreachable)
    plans = []
    for device, positions in by_device(outlook, scoped).items():
        reported = outlook.reported[device]
        goal = live_goal(outlook.wants[device], reported, positions)
        plans.append(_reach(outlook, device, goal, positions))
    return finish("apply", outlook, scope, scoped, plans)


def plan_recall(outlook: Outlook, scope: Scope) -> Plan:
    """Bring the house curve back from the slots: recall, put right what the slot does not hold, end unmuted if desired.

    A device that does not answer or has no house-curve slot is left out and named, its coherent set with it.
    Raises as `plan_apply`.
    """
    slotless = {d: f"{d} has no house-curve slot" for d, want in outlook.wants.items() if want.slot is None}
    unable = {**outlook.unreachable, **outlook.conflicting}
    scoped = work_out(outlook.venue, scope, {**slotless, **unable}, leave_out_dead=True)
    plans: list[DevicePlan | None] = []
    trusted: set[str] = set()
    notes = list(scoped.notes)
    for device, positions in by_device(outlook, scoped).items():
        want, reported = outlook.wants[device], outlook.reported[device]
        assert want.slot is not None
        goal = live_goal(want, reported, positions)
        plan = _reach(outlook, device, goal, positions)
        if plan is not None:
            plan = _reach(outlook, device, live_goal(want, reported, positions, slot=want.slot), positions)
        plans.append(plan)
        wrong = deviations(Target(stored=(want.stored,)), reported) if want.stored else ()
        if not _readable(reported, want.slot):
            notes.append(f"slot {want.slot} of {device} cannot be read: its contents are not verified")
        elif wrong:
            notes.append(f"slot {want.slot} of {device} does not hold the house curve; store it again when it is right")
        else:
            trusted.add(device)
    left_out = tuple(replace(x, unable=x.device in unable) for x in scoped.left_out)
    scoped = replace(scoped, left_out=left_out, notes=tuple(notes))
    return finish("recall", outlook, scope, scoped, plans, trusted=frozenset(trusted))


def plan_store(outlook: Outlook, scope: Scope) -> Plan:
    """Write whole desired settings into the house-curve slots of a scope, where they are not there already.

    Raises `Refused` for a factory slot, and for a model that stores only what is live while it is not.
    """
    scoped = work_out(outlook.venue, scope, outlook.unreachable)
    plans: list[DevicePlan | None] = []
    left_out = list(scoped.left_out)
    notes = list(scoped.notes)
    for device, positions in by_device(outlook, scoped).items():
        want, reported = outlook.wants[device], outlook.reported[device]
        slots = reported.description.slots
        if want.slot is None or want.stored is None:
            left_out += _leave_out(positions, "has no house-curve slot")
            continue
        if want.slot in slots.factory:
            raise Refused(f"slot {want.slot} of {device} is the factory's and locked", remedy="Choose a user slot.")
        readable = _readable(reported, want.slot)
        if readable and not deviations(Target(stored=(want.stored,)), reported):
            continue
        if slots.store_needs_live:
            live = DeviceSettings(input=want.stored.input, outputs=want.stored.outputs or {})
            if apart := deviations(Target(live=live), reported):
                raise Refused(
                    f"{device} stores only what is live, and it is not as desired: {apart[0]}",
                    remedy="Apply the room first, then store.",
                )
        if not readable and not slots.readable_inactive:
            notes.append(f"{device} does not tell what its inactive slots hold: the store cannot be verified")
        plans.append(_reach(outlook, device, Goal(store=(want.stored,)), positions))
    scoped = replace(scoped, left_out=tuple(left_out), notes=tuple(notes))
    return finish("store", outlook, scope, scoped, plans)


def by_device(outlook: Outlook, scoped: Scoped) -> dict[str, tuple[Position, ...]]:
    """Positions of a scope by device, life-safety ones aside. Raises `Refused` where a device cannot take part."""
    grouped: dict[str, list[Position]] = {}
    for position in scoped.positions:
        if not position.life_safety:
            grouped.setdefault(position.device, []).append(position)
    reasons = {**outlook.unsuitable, **outlook.conflicting, **outlook.unreachable}
    unable = {d: reasons.get(d, "is not known") for d in grouped if d in reasons or d not in outlook.wants}
    if unable:
        out = (f"{p.name} ({device}): {why}" for device, why in unable.items() for p in grouped[device])
        conflicting = sorted(d for d in unable if d in outlook.conflicting)
        accept = f", or accept it if it is the right one (`fleet accept {conflicting[0]}`)" if conflicting else ""
        raise Refused(
            "not every device can take part: " + "; ".join(out),
            unable=unable,
            guards=("conflicting",) if conflicting else (),
            remedy=f"Leave a position out with --without, bring its device back or swap it (`fleet swap`){accept}.",
        )
    return {device: tuple(positions) for device, positions in sorted(grouped.items())}


def _reach(outlook: Outlook, device: str, goal: Goal, positions: Iterable[Position]) -> DevicePlan | None:
    return device_plan(outlook, device, goal, tuple(place(p) for p in positions))


def _readable(reported: Reported, slot: int) -> bool:
    return slot in reported.slots and reported.slots[slot].outputs is not None


def _leave_out(positions: Iterable[Position], words: str) -> list[LeftOut]:
    return [LeftOut(room=p.room, position=p.name, device=p.device, words=f"{p.device} {words}") for p in positions]
