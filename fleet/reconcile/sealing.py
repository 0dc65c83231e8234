"""A plan finished: guards, what is louder, the differences it removes, and the digest that names it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from fleet.model.edge import digest, plain
from fleet.model.plan import DevicePlan, Plan, PlanKind
from fleet.reconcile.compare import compare
from fleet.reconcile.exact import same_setting
from fleet.reconcile.guards import Situation, guard_hits, louder
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.scope import Place, Scope, Scoped, place
from fleet.reconcile.words import SETTING_WORDS


def finish(
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
        held=outlook.held,
    )
    compared = sorted({p.device for p in scoped.positions} & set(outlook.wants) & set(outlook.reported))
    comparison = compare([(outlook.wants[d], outlook.reported[d]) for d in compared])
    subject = "stored" if kind == "store" else "live"
    unmanaged = [] if kind == "store" else _unmanaged(devices, outlook)
    return sealed(
        Plan(
            kind=kind,
            rooms=scope.rooms,
            scope=scope.words,
            devices=devices,
            guards=guard_hits(devices, situation),
            left_out=scoped.left_out,
            differences=tuple(
                d for d in comparison.differences if (d.room, d.position) in places and d.subject == subject
            ),
            notes=(*scoped.notes, *unmanaged),
            louder=louder(devices, situation),
            desired_sha256=outlook.desired_sha256,
        )
    )


def sealed(plan: Plan) -> Plan:
    """The plan with the digest of everything in it."""
    return replace(plan, digest=digest(plain(replace(plan, digest=""))))


def _unmanaged(plans: Iterable[DevicePlan], outlook: Outlook) -> list[str]:
    """What a recall would change although nothing manages it, in words."""
    notes = []
    for plan in plans:
        if plan.after.active_slot is None or plan.device not in outlook.wants:
            continue
        want, reported = outlook.wants[plan.device], outlook.reported[plan.device]
        if want.input is None and plan.after.live.input not in (None, reported.state.live.input):
            notes.append(f"the recall changes the input of {plan.device}, which is not managed")
        for number, after in plan.after.live.outputs.items():
            if number not in want.outputs:
                continue
            managed = {*want.outputs[number].settings.given(), *want.outputs[number].between, "mute"}
            before = reported.state.output(number)
            notes += [
                f"the recall changes {SETTING_WORDS[name]} of {plan.device} output {number}, which is not managed"
                for name in after.given()
                if name not in managed
                and not same_setting(reported.description, number, name, getattr(after, name), getattr(before, name))
            ]
    return notes
