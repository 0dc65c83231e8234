"""Guard rails: what speaks against a plan, as properties of the plan itself.

A hit either refuses the plan outright or may be lifted by a person by its name (`--allow NAME`). Life safety is looked
at first.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterator, Sequence
from typing import Final

from fleet.model.plan import DevicePlan, GuardHit
from fleet.reconcile import guards_asking as asking
from fleet.reconcile import guards_refusing as refusing
from fleet.reconcile.rises import rises_db
from fleet.reconcile.situation import Situation, who

TOLD_RISE_DB = 0.5

Guard = Callable[[Sequence[DevicePlan], Situation], Iterator[GuardHit]]
GUARDS: Final[tuple[Guard, ...]] = (
    refusing.life_safety,
    refusing.conflicting,
    refusing.hold,
    refusing.ceiling,
    refusing.protective_high_pass,
    refusing.shared_device,
    refusing.store_too_soon,
    asking.guest,
    asking.rise,
    asking.half_room,
    asking.many_devices,
    asking.unmanaged,
    asking.live_click,
)


def guard_hits(plans: Sequence[DevicePlan], situation: Situation) -> tuple[GuardHit, ...]:
    """Everything that speaks against these plans, life safety first, then in the order of the guards and devices."""
    return tuple(hit for guard in GUARDS for hit in guard(plans, situation))


def unlifted(hits: Collection[GuardHit], allowed: Collection[str]) -> tuple[GuardHit, ...]:
    """The hits that still stand when a person allows the guards of these names."""
    return tuple(hit for hit in hits if not (hit.may_allow and hit.guard in allowed))


def louder(plans: Sequence[DevicePlan], situation: Situation) -> tuple[str, ...]:
    """What will be louder, by position, in words."""
    lines = []
    for plan in plans:
        for number, rise_db in rises_db(plan, situation.reported[plan.device]).items():
            if rise_db > TOLD_RISE_DB:
                how = "will sound: it is muted now" if math.isinf(rise_db) else f"up to {rise_db:.1f} dB louder"
                lines.append(f"{who(plan.device, number, situation)} {how}")
    return tuple(lines)
