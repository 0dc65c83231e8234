"""The plans of a change: apply, store, recall and rollback, made from desired and reported state. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from fleet.errors import Refused
from fleet.model.change import ChangeRecord
from fleet.model.edge import digest, plain
from fleet.model.plan import DevicePlan, LeftOut, Plan, PlanKind, Target
from fleet.model.settings import STORABLE, DeviceSettings, OutputSettings
from fleet.model.state import Reported
from fleet.model.venue import Position, Venue
from fleet.reconcile.compare import compare
from fleet.reconcile.guards import Situation, guard_hits, louder
from fleet.reconcile.reach import Goal, after_recall, reach
from fleet.reconcile.readback import deviations
from fleet.reconcile.scope import Place, Scope, Scoped, place, work_out
from fleet.reconcile.wanted import WantedDevice


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """Everything a plan is made from, freshly read.

    `unreachable` maps devices that did not answer to the reason; `conflicting` those not to be written to;
    `unsuitable` those that cannot be what is desired; `plainly` those that can neither stage nor revert.
    """

    venue: Venue
    desired_sha256: str
    wants: Mapping[str, WantedDevice]
    reported: Mapping[str, Reported]
    unreachable: Mapping[str, str] = field(default_factory=dict)
    conflicting: Mapping[str, str] = field(default_factory=dict)
    unsuitable: Mapping[str, str] = field(default_factory=dict)
    plainly: frozenset[str] = frozenset()


def plan_apply(outlook: Outlook, scope: Scope) -> Plan:
    """Make the live settings of a scope what is desired.

    Raises `NotFound` for unknown names and `Refused` where a device of the scope cannot take part.
    """
    scoped = work_out(outlook.venue, scope, outlook.unreachable)
    plans = []
    for device, positions in _by_device(outlook, scoped).items():
        reported = outlook.reported[device]
        goal = _live_goal(outlook.wants[device], reported, positions)
        plans.append(_reach(outlook, device, goal, positions))
    return _finish("apply", outlook, scope, scoped, plans)


def plan_recall(outlook: Outlook, scope: Scope) -> Plan:
    """Bring the house curve back from the slots: recall, put right what the slot does not hold, end unmuted if desired.

    A device that does not answer is left out and named. Raises as `plan_apply`.
    """
    scoped = work_out(outlook.venue, scope, {**outlook.unreachable, **outlook.conflicting}, leave_out_dead=True)
    plans: list[DevicePlan | None] = []
    trusted: set[str] = set()
    left_out = list(scoped.left_out)
    notes = list(scoped.notes)
    for device, positions in _by_device(outlook, scoped).items():
        want, reported = outlook.wants[device], outlook.reported[device]
        if want.slot is None:
            left_out += _leave_out(positions, "has no house-curve slot")
            continue
        goal = _live_goal(want, reported, positions)
        plan = _reach(outlook, device, goal, positions)
        if plan is not None:
            plan = _reach(outlook, device, _live_goal(want, reported, positions, slot=want.slot), positions)
        plans.append(plan)
        wrong = deviations(Target(stored=(want.stored,)), reported) if want.stored else ()
        if not _readable(reported, want.slot):
            notes.append(f"slot {want.slot} of {device} cannot be read: its contents are not verified")
        elif wrong:
            notes.append(f"slot {want.slot} of {device} does not hold the house curve; store it again when it is right")
        else:
            trusted.add(device)
    scoped = replace(scoped, left_out=tuple(left_out), notes=tuple(notes))
    return _finish("recall", outlook, scope, scoped, plans, trusted=frozenset(trusted))


def plan_store(outlook: Outlook, scope: Scope) -> Plan:
    """Write whole desired settings into the house-curve slots of a scope, where they are not there already.

    Raises `Refused` for a factory slot, and for a model that stores only what is live while it is not.
    """
    scoped = work_out(outlook.venue, scope, outlook.unreachable)
    plans: list[DevicePlan | None] = []
    left_out = list(scoped.left_out)
    notes = list(scoped.notes)
    for device, positions in _by_device(outlook, scoped).items():
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
    return _finish("store", outlook, scope, scoped, plans)


def plan_rollback(outlook: Outlook, record: ChangeRecord) -> Plan:
    """Write back what a change wrote, and nothing else; what has moved since is told in `notes`.

    Raises `Refused` where the change was not kept, or a device of it does not answer.
    """
    if record.state != "kept":
        raise Refused(f"change {record.id} ended {record.state}: there is nothing to roll back")
    dead = {**outlook.unreachable, **outlook.conflicting}
    if missing := [p.device for p in record.plan.devices if p.device in dead or p.device not in outlook.reported]:
        raise Refused(f"{', '.join(missing)} cannot take part in the rollback", remedy="See `fleet devices`.")
    plans: list[DevicePlan | None] = []
    notes = []
    for old in record.plan.devices:
        reported = outlook.reported[old.device]
        notes += [f"{old.device} has moved since: {words}" for words in deviations(old.after, reported)]
        goal = Goal(
            live=old.before.live,
            recall=old.before.active_slot if old.before.active_slot != reported.state.active_slot else None,
            hold=frozenset(set(reported.state.live.outputs) - set(old.before.live.outputs)),
            store=old.before.stored,
        )
        plans.append(reach(reported, goal, old.positions, stages=old.device not in outlook.plainly))
    scope = Scope(rooms=record.plan.rooms, also=frozenset(record.plan.rooms))
    in_scope = frozenset(p for old in record.plan.devices for p in old.positions)
    scoped = Scoped(positions=(), notes=tuple(notes), named_rooms=frozenset(record.plan.rooms))
    plan = _finish("rollback", outlook, scope, scoped, plans, in_scope=in_scope)
    return _sealed(replace(plan, undoes=record.id, scope=f"change {record.id}: {record.plan.scope}"))


def _by_device(outlook: Outlook, scoped: Scoped) -> dict[str, tuple[Position, ...]]:
    """Positions of a scope by device, life-safety ones aside. Raises `Refused` where a device cannot take part."""
    grouped: dict[str, list[Position]] = {}
    for position in scoped.positions:
        if not position.life_safety:
            grouped.setdefault(position.device, []).append(position)
    reasons = {**outlook.unsuitable, **outlook.conflicting, **outlook.unreachable}
    out = [
        f"{p.name} ({device}): {reasons.get(device, 'is not known')}"
        for device, positions in grouped.items()
        for p in positions
        if device in reasons or device not in outlook.wants
    ]
    if out:
        raise Refused(
            "not every device can take part: " + "; ".join(out),
            guards=("conflicting",) if any(d in outlook.conflicting for d in grouped) else (),
            remedy="Leave a position out with --without, or bring its device back.",
        )
    return {device: tuple(positions) for device, positions in sorted(grouped.items())}


def _live_goal(
    want: WantedDevice, reported: Reported, positions: tuple[Position, ...], *, slot: int | None = None
) -> Goal:
    """Desired live settings of the positions in scope; the house slot is recalled if not active, or as told."""
    recall = slot if slot is not None else (want.slot if want.slot != reported.state.active_slot else None)
    known = after_recall(reported, recall)
    outputs = {p.output: _with_ranges(want, p.output, known, reported) for p in positions}
    live = DeviceSettings(
        input=want.input, panel_locked=want.panel_locked, power_up_slot=want.power_up_slot, outputs=outputs
    )
    others = frozenset(set(reported.state.live.outputs) - set(outputs))
    return Goal(live=live, recall=recall, hold=others)


def _with_ranges(want: WantedDevice, output: int, known: DeviceSettings, reported: Reported) -> OutputSettings:
    """Fixed settings, and for each allowed range the present value brought inside it."""
    wanted = want.outputs[output]
    present = reported.state.output(output)
    ranged = {}
    for name, between in wanted.between.items():
        now = getattr(present, name)
        inside = None if now is None else min(max(now, between.low), between.high)
        moved = getattr(known.outputs.get(output, OutputSettings()), name) != now
        if inside is not None and (inside != now or moved):
            ranged[name] = inside
    return replace(wanted.settings, **ranged)


def _reach(outlook: Outlook, device: str, goal: Goal, positions: Iterable[Position]) -> DevicePlan | None:
    places = tuple(place(p) for p in positions)
    return reach(outlook.reported[device], goal, places, stages=device not in outlook.plainly)


def _readable(reported: Reported, slot: int) -> bool:
    return slot in reported.slots and reported.slots[slot].outputs is not None


def _leave_out(positions: Iterable[Position], words: str) -> list[LeftOut]:
    return [LeftOut(room=p.room, position=p.name, device=p.device, words=f"{p.device} {words}") for p in positions]


def _finish(
    kind: PlanKind,
    outlook: Outlook,
    scope: Scope,
    scoped: Scoped,
    plans: Iterable[DevicePlan | None],
    *,
    trusted: frozenset[str] = frozenset(),
    in_scope: frozenset[Place] = frozenset(),
) -> Plan:
    devices = tuple(sorted((p for p in plans if p is not None), key=lambda p: p.device))
    places = in_scope or frozenset(place(p) for p in scoped.positions)
    situation = Situation(
        venue=outlook.venue,
        reported=outlook.reported,
        in_scope=places,
        named_rooms=scoped.named_rooms,
        conflicting=outlook.conflicting,
        trusted_recalls=trusted,
    )
    compared = sorted({p.device for p in scoped.positions} & set(outlook.wants))
    comparison = compare([(outlook.wants[d], outlook.reported[d]) for d in compared])
    unmanaged = [] if kind == "store" else _unmanaged(devices, outlook)
    return _sealed(
        Plan(
            kind=kind,
            rooms=scope.rooms,
            scope=scope.words,
            devices=devices,
            guards=guard_hits(devices, situation),
            left_out=scoped.left_out,
            differences=tuple(d for d in comparison.differences if (d.room, d.position) in places),
            notes=(*scoped.notes, *unmanaged),
            louder=louder(devices, situation),
            desired_sha256=outlook.desired_sha256,
        )
    )


def _unmanaged(plans: Iterable[DevicePlan], outlook: Outlook) -> list[str]:
    """What a recall would change although nothing manages it, in words."""
    notes = []
    for plan in plans:
        if plan.after.active_slot is None or plan.device not in outlook.wants:
            continue
        want = outlook.wants[plan.device]
        for number, after in plan.after.live.outputs.items():
            if number not in want.outputs:
                continue
            managed = {*want.outputs[number].settings.given(), *want.outputs[number].between, "mute"}
            before = plan.before.live.outputs[number]
            moved = [n for n in STORABLE if n not in managed and getattr(after, n) not in (None, getattr(before, n))]
            notes += [f"the recall changes {n} of {plan.device} output {number}, which is not managed" for n in moved]
    return notes


def _sealed(plan: Plan) -> Plan:
    return replace(plan, digest=digest(plain(replace(plan, digest=""))))
