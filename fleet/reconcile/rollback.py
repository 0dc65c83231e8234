"""The plan that undoes a change: what it wrote goes back, and nothing else."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from fleet.errors import Refused
from fleet.model.change import ChangeRecord, ChangeState
from fleet.model.plan import DevicePlan, Plan, Target
from fleet.reconcile.device_plan import device_plan
from fleet.reconcile.level_standing import undone
from fleet.reconcile.muted import muted_again
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.reach import Goal
from fleet.reconcile.readback import deviations
from fleet.reconcile.scope import Scope, Scoped
from fleet.reconcile.sealing import finish, sealed


def plan_rollback(outlook: Outlook, record: ChangeRecord, later: Sequence[ChangeRecord] = ()) -> Plan:
    """Write back what a change wrote, and nothing else; what is not as the change left it is told in `notes`.

    So are `later` changes that wrote to the same devices, since they lose what both wrote. Modes come back with the
    settings: the rooms of `outlook` are in those of before the change.

    A change that needs a person can be rolled back as well: that is the way out. Raises `Refused` where the change
    ended in another way or has not ended, or a device of it does not answer.
    """
    if not record.state.ended:
        raise Refused(f"change {record.id} has not ended: it is {record.state}", remedy="Wait, or cancel it.")
    if record.state not in (ChangeState.KEPT, ChangeState.NEEDS_PERSON):
        raise Refused(f"change {record.id} ended {record.state}: there is nothing to roll back")
    stood = "has moved since" if record.state is ChangeState.KEPT else "is not as the change wanted it"
    dead = {**outlook.unreachable, **outlook.conflicting}
    if missing := [p.device for p in record.plan.devices if p.device in dead or p.device not in outlook.reported]:
        raise Refused(f"{', '.join(missing)} cannot take part in the rollback", remedy="See `fleet devices`.")
    plans: list[DevicePlan | None] = []
    notes = [_written_since(record, other) for other in later]
    for old in record.plan.devices:
        reported = outlook.reported[old.device]
        notes += [f"{old.device} {stood}: {words}" for words in deviations(old.after, reported)]
        goal = Goal(
            live=old.before.live,
            recall=old.before.active_slot if old.before.active_slot != reported.state.active_slot else None,
            hold=frozenset(set(reported.state.live.outputs) - set(old.before.live.outputs)),
            store=tuple(c for c in old.before.stored if deviations(Target(stored=(c,)), reported)),
        )
        plans.append(device_plan(outlook, old.device, goal, old.positions))
    venue_rooms = outlook.venue.rooms
    scope = Scope(rooms=record.plan.rooms, also=frozenset(record.plan.rooms))
    in_scope = frozenset(p for old in record.plan.devices for p in old.positions)
    scoped = Scoped(positions=(), notes=tuple(notes), named_rooms=frozenset(record.plan.rooms))
    plan = finish("rollback", outlook, scope, scoped, plans, in_scope=in_scope)
    plan = muted_again(undone(plan, outlook, record), record)
    modes = {room: venue_rooms[room].mode for room in record.plan.was.modes if room in venue_rooms}
    stands = record.plan.then.modes if record.state is ChangeState.KEPT else modes
    return sealed(
        replace(
            plan,
            undoes=record.id,
            scope=f"change {record.id}: {record.plan.scope}",
            was=replace(plan.was, modes={room: stands[room] for room in modes}),
            then=replace(plan.then, modes=modes),
        )
    )


def _written_since(record: ChangeRecord, later: ChangeRecord) -> str:
    devices = {p.device for p in record.plan.devices} & {p.device for p in later.plan.devices}
    return f"change {later.id} ({later.plan.kind} {later.plan.scope}) has written to {', '.join(sorted(devices))} since"
