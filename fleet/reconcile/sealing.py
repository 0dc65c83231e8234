"""A plan finished: guards, what is louder, the differences it removes, and the digest that names it."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import replace

from fleet.model.edge import digest, plain
from fleet.model.plan import DevicePlan, Plan, PlanKind
from fleet.reconcile.agreed import kept_notes
from fleet.reconcile.compare import compare
from fleet.reconcile.guards import guard_hits, louder
from fleet.reconcile.muted import ended_by
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.scope import Place, Scope, Scoped, place
from fleet.reconcile.situation import Situation
from fleet.reconcile.unmanaged import unmanaged_changes


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
        wants=outlook.wants,
        held=outlook.held,
        guests=outlook.guests,
        too_soon=outlook.too_soon,
        kind=kind,
        level_limits_db=outlook.level_limits_db,
    )
    compared = sorted({p.device for p in scoped.positions} & set(outlook.wants) & set(outlook.reported))
    comparison = compare([(outlook.wants[d], outlook.reported[d]) for d in compared])
    subject = "stored" if kind == "store" else "live"
    was, then = ended_by(devices, outlook.venue, outlook.mutes)
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
            notes=(*scoped.notes, *kept_notes(outlook, places), *_unmanaged(devices, outlook, trusted)),
            louder=louder(devices, situation),
            desired_sha256=outlook.desired_sha256,
            was=was,
            then=then,
        )
    )


def sealed(plan: Plan) -> Plan:
    """The plan with the digest of everything in it."""
    return replace(plan, digest=digest(plain(replace(plan, digest=""))))


def _unmanaged(devices: Iterable[DevicePlan], outlook: Outlook, trusted: Collection[str]) -> tuple[str, ...]:
    """What the recall of a verified house curve would change although nothing manages it: it is told, not asked."""
    told = (p for p in devices if p.device in trusted and p.device in outlook.wants)
    return tuple(w for p in told for w in unmanaged_changes(p, outlook.wants[p.device], outlook.reported[p.device]))
