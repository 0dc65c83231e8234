"""The plan that undoes a change: what it wrote goes back, and nothing else."""

from __future__ import annotations

from dataclasses import replace

from fleet.errors import Refused
from fleet.model.change import ChangeRecord
from fleet.model.plan import DevicePlan, Plan, Target
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.reach import Goal, reach
from fleet.reconcile.readback import deviations
from fleet.reconcile.scope import Scope, Scoped
from fleet.reconcile.sealing import finish, sealed


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
            store=tuple(c for c in old.before.stored if deviations(Target(stored=(c,)), reported)),
        )
        plans.append(reach(reported, goal, old.positions, stages=old.device not in outlook.plainly))
    scope = Scope(rooms=record.plan.rooms, also=frozenset(record.plan.rooms))
    in_scope = frozenset(p for old in record.plan.devices for p in old.positions)
    scoped = Scoped(positions=(), notes=tuple(notes), named_rooms=frozenset(record.plan.rooms))
    plan = finish("rollback", outlook, scope, scoped, plans, in_scope=in_scope)
    return sealed(replace(plan, undoes=record.id, scope=f"change {record.id}: {record.plan.scope}"))
