"""The plans of a swap: hold a device muted, give the new one its settings while it is muted, unmute it last. Pure."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import replace

from fleet.model.plan import DevicePlan, Plan
from fleet.model.settings import DeviceSettings, OutputSettings
from fleet.model.venue import Position
from fleet.reconcile.device_plan import device_plan
from fleet.reconcile.goals import live_goal, standing_levels_db
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.plans import by_device
from fleet.reconcile.power_up import power_up_to_store
from fleet.reconcile.reach import Goal
from fleet.reconcile.scope import Place, Scope, Scoped, place, work_out
from fleet.reconcile.sealing import finish, sealed
from fleet.reconcile.slots_of_modes import SlotOfMode, is_live, not_held

NOTHING = OutputSettings()


def plan_muted(outlook: Outlook, device: str, outputs: Collection[int], places: tuple[Place, ...]) -> Plan:
    """Mute outputs of a device, whether it has a position yet or not. `places` are those that the swap is about."""
    live = DeviceSettings(outputs={n: OutputSettings(mute=True) for n in sorted(outputs)})
    own = tuple(place(p) for p in outlook.venue.positions_of(device) if p.output in outputs)
    rooms = _rooms(places)
    plan = device_plan(outlook, device, Goal(live=live), own)
    scoped = Scoped(positions=(), named_rooms=frozenset(rooms))
    return _told(
        finish("apply", outlook, Scope(rooms=rooms), scoped, [plan], in_scope=frozenset(places)), f"{device} muted"
    )


def plan_settings(outlook: Outlook, device: str, places: tuple[Place, ...], slots: tuple[SlotOfMode, ...] = ()) -> Plan:
    """Give a device its settings as its positions want them and these slots, and leave it as it is muted.

    As with any store it powers up in the house-curve slot then, where that can be chosen; a model that stores only
    what is live gets only that. Other members of their coherent sets are brought to what is desired with it, where
    they are not so.
    Raises `NotFound`, and `Refused` where a device of a set cannot take part.
    """
    return _plan(outlook, device, places, lambda goal: _storing(_leaving_mutes(goal), outlook, device, slots))


def plan_sounding(outlook: Outlook, device: str, places: tuple[Place, ...]) -> Plan:
    """The same, and let it sound: what is desired muted stays muted, all else of its positions is unmuted last."""
    return _plan(outlook, device, places, _unmuting, "unmuted")


def members(outlook: Outlook, places: tuple[Place, ...]) -> tuple[Position, ...]:
    """Positions and the other members of their coherent sets."""
    return _scoped(outlook, places).positions


def _plan(
    outlook: Outlook,
    device: str,
    places: tuple[Place, ...],
    own_goal: Callable[[Goal], Goal],
    what: str = "set and stored",
) -> Plan:
    scoped = _scoped(outlook, places)
    plans: list[DevicePlan | None] = []
    for one, positions in by_device(outlook, scoped).items():
        levels_db = standing_levels_db(outlook)
        goal = live_goal(outlook.wants[one], outlook.reported[one], positions, levels_db=levels_db)
        if one == device:
            goal = own_goal(goal)
        plans.append(device_plan(outlook, one, goal, tuple(place(p) for p in positions)))
    rooms = _rooms(places)
    plan = finish("apply", outlook, Scope(rooms=rooms, also=frozenset(rooms)), scoped, plans)
    return _told(plan, f"{device} {what}")


def _scoped(outlook: Outlook, places: tuple[Place, ...]) -> Scoped:
    found: dict[Place, Position] = {}
    notes: list[str] = []
    for room, name in places:
        one = work_out(outlook.venue, Scope(rooms=(room,), position=name), {})
        found |= {place(p): p for p in one.positions}
        notes += one.notes
    rooms = frozenset(_rooms(places))
    return Scoped(
        positions=tuple(found[p] for p in sorted(found)), notes=tuple(dict.fromkeys(notes)), named_rooms=rooms
    )


def _leaving_mutes(goal: Goal) -> Goal:
    outputs = {n: replace(s, mute=None) for n, s in goal.live.outputs.items()}
    return replace(goal, live=replace(goal.live, outputs=outputs))


def _unmuting(goal: Goal) -> Goal:
    """What nobody manages is unmuted as well: it was the swap that muted it."""
    outputs = {n: replace(s, mute=bool(s.mute)) for n, s in goal.live.outputs.items()}
    return replace(goal, live=replace(goal.live, outputs=outputs))


def _storing(goal: Goal, outlook: Outlook, device: str, slots: tuple[SlotOfMode, ...]) -> Goal:
    """The goal with these slots stored, where they do not hold that yet and can."""
    want, reported = outlook.wants[device], outlook.reported[device]
    only_live = reported.description.slots.store_needs_live
    missing = [one.contents for one in not_held(slots, reported)]
    store = tuple(contents for contents in missing if not only_live or is_live(contents, goal.live))
    return replace(goal, live=replace(goal.live, power_up_slot=power_up_to_store(want)), store=store)


def _rooms(places: tuple[Place, ...]) -> tuple[str, ...]:
    return tuple(sorted({room for room, _ in places}))


def _told(plan: Plan, what: str) -> Plan:
    return sealed(replace(plan, scope=f"{plan.scope}: swap, {what}"))
