"""The plans of apply and recall, made from desired and reported state. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from functools import partial

from fleet.errors import Refused
from fleet.model.plan import DevicePlan, Plan, Target
from fleet.model.state import Reported
from fleet.model.venue import Position
from fleet.reconcile.device_plan import device_plan
from fleet.reconcile.goals import live_goal, standing_levels_db
from fleet.reconcile.level_standing import without_chosen
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.reach import Goal
from fleet.reconcile.readback import deviations, readable
from fleet.reconcile.scope import Place, Scope, Scoped, place, work_out
from fleet.reconcile.sealing import finish
from fleet.reconcile.store_again import with_offers
from fleet.reconcile.wanted import WantedDevice


def plan_apply(outlook: Outlook, scope: Scope) -> Plan:
    """Make the live settings of a scope what is desired.

    Raises `NotFound` for unknown names and `Refused` where a device of the scope cannot take part.
    """
    scoped = work_out(outlook.venue, scope, outlook.unreachable)
    levels_db = standing_levels_db(outlook)
    plans = []
    for device, positions in by_device(outlook, scoped).items():
        reported = outlook.reported[device]
        goal = live_goal(outlook.wants[device], reported, positions)
        if goal.recall is not None:
            goal = live_goal(outlook.wants[device], reported, positions, levels_db=levels_db)
        plans.append(_reach(outlook, device, goal, positions))
    return finish("apply", outlook, scope, scoped, plans)


def plan_recall(outlook: Outlook, scope: Scope, *, levels_from_slot: bool = False) -> Plan:
    """Bring the house curve back from the slots: recall, put right what the slot does not hold, end unmuted if desired.

    Where a level has a range, the one that somebody chose stays, unless `levels_from_slot`: then nobody's does.
    A device that does not answer or has no house-curve slot is left out and named, its coherent set with it; in a room
    that comes into a mode, one without a slot is set instead. A slot that is meant to hold the room without modes is
    recalled where it is not active, and what the mode wants is set beside it. A device that also serves a room which
    is not named is set where its slot is active already.
    Raises as `plan_apply`.
    """
    slotless = {
        d: f"{d} has no house-curve slot"
        for d, want in outlook.wants.items()
        if want.slot is None and not any(o.position.room in scope.modes for o in want.outputs.values())
    }
    unable = {**outlook.unreachable, **outlook.conflicting}
    scoped = work_out(outlook.venue, scope, {**slotless, **unable}, leave_out_dead=True)
    levels_db = standing_levels_db(outlook)
    plans: list[DevicePlan | None] = []
    trusted: set[str] = set()
    again: list[Place] = []
    notes = list(scoped.notes)
    for device, positions in by_device(outlook, scoped).items():
        want, reported = outlook.wants[device], outlook.reported[device]
        goal = partial(live_goal, want, reported, positions, levels_db=levels_db, levels_from_slot=levels_from_slot)
        plan = _reach(outlook, device, goal(), positions)
        if plan is not None and not want.beyond_slot and not _reaches_over(outlook, scoped, device, want, reported):
            plan = _reach(outlook, device, goal(slot=want.slot), positions)
        plans.append(plan)
        if want.slot is None:
            continue
        wrong = deviations(Target(stored=(want.stored,)), reported) if want.stored else ()
        if not readable(reported, want.slot):
            notes.append(f"slot {want.slot} of {device} cannot be read: its contents are not verified")
        elif wrong:
            notes.append(f"slot {want.slot} of {device} does not hold the house curve; store it again when it is right")
            again += [place(p) for p in positions]
        else:
            trusted.add(device)
    left_out = tuple(replace(x, unable=x.device in unable) for x in scoped.left_out)
    scoped = replace(scoped, left_out=left_out, notes=tuple(notes))
    recall = finish("recall", outlook, scope, scoped, plans, trusted=frozenset(trusted))
    recall = with_offers(recall, outlook.venue, again)
    return without_chosen(recall, outlook, scoped.positions) if levels_from_slot else recall


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


def _reaches_over(outlook: Outlook, scoped: Scoped, device: str, want: WantedDevice, reported: Reported) -> bool:
    """Whether a recall of the slot that is active would touch a room that is not named: it is set instead."""
    rooms = {p.room for p in outlook.venue.positions_of(device)}
    return want.slot == reported.state.active_slot and not rooms <= scoped.named_rooms


def _reach(outlook: Outlook, device: str, goal: Goal, positions: Iterable[Position]) -> DevicePlan | None:
    return device_plan(outlook, device, goal, tuple(place(p) for p in positions))
