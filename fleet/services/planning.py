"""What a person asks for, planned: the scope read afresh, and the plan of its kind made from that."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime

from fleet.drivers.protocol import Driver
from fleet.errors import BadInput
from fleet.model.plan import Plan, PlanKind
from fleet.reconcile.agreed import left_as_agreed
from fleet.reconcile.modes import in_modes, in_scope
from fleet.reconcile.mutes import plan_mute, plan_unmute
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.plans import plan_apply, plan_recall
from fleet.reconcile.scope import Scope, select
from fleet.reconcile.store_plans import plan_store
from fleet.services.as_of import AsOf
from fleet.services.desired import Desired
from fleet.services.inventory import Inventory
from fleet.services.level_asked import LevelAsked, plan_asked_level
from fleet.services.outlook import Lookout
from fleet.store.protocol import Store

PLANNERS: dict[PlanKind, Callable[[Outlook, Scope], Plan]] = {
    "apply": plan_apply,
    "mute": plan_mute,
    "store": plan_store,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What a person asks for: a kind of change over a scope, or the rollback of a change.

    `modes` are those that a recall brings rooms into, or whose contents a store writes.
    """

    kind: PlanKind
    scope: Scope | None = None
    change: str = ""
    modes: Mapping[str, str] = field(default_factory=dict)
    level: LevelAsked | None = None
    as_of: str = ""
    """For a recall: a date, a time or a snapshot that the room is to come back to, written live."""
    levels_from_slot: bool = False
    """For a recall: levels that have a range are what the slot holds, and not what somebody chose."""
    also_agreed: bool = False
    """Agreed deviations are put right as well."""
    who: str = ""
    """Who asks; an unmute of a room on hold depends on it."""


class Planning:
    """Plans what is asked for over a scope, from freshly read devices."""

    def __init__(
        self,
        store: Store,
        driver: Driver,
        inventory: Inventory,
        desired: Desired,
        lookout: Lookout,
        clock: Callable[[], datetime],
    ) -> None:
        self._desired = desired
        self._lookout = lookout
        self._clock = clock
        self._as_of = AsOf(store, driver, inventory, desired, clock)

    async def plan(self, asked: Asked) -> Plan:
        """What would be done now. Raises `BadInput`, `NotFound` and `Refused`."""
        if asked.scope is None:
            raise BadInput("no room was given")
        if asked.as_of and (asked.kind != "recall" or asked.modes or asked.levels_from_slot):
            raise BadInput("a moment goes with a recall alone, without a mode", where="--as-of")
        scope, change = in_scope(self._desired.venue(), asked.kind, asked.scope, asked.modes)
        venue = self._desired.venue(change.then)
        positions = [p for r in scope.rooms for p in select(venue, r)]
        outlook = await self._lookout.look({p.device for p in positions if not p.life_safety}, change.then)
        if not (asked.also_agreed or asked.as_of or asked.kind in ("level", "mute", "unmute")):
            outlook = left_as_agreed(outlook)
        if asked.kind == "level":
            level = asked.level or LevelAsked()
            return plan_asked_level(outlook, self._desired.in_force(), scope, level, self._clock())
        if asked.kind == "unmute":
            return plan_unmute(outlook, scope, asked.who)
        if asked.as_of:
            return await self._as_of.plan(outlook, asked.scope, asked.as_of)
        if asked.kind == "recall":
            return in_modes(plan_recall(outlook, scope, levels_from_slot=asked.levels_from_slot), change, venue)
        return PLANNERS[asked.kind](outlook, scope)
