"""Which levels stand as somebody's choice before and after a plan. Pure."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import replace

from fleet.model.change import ChangeRecord
from fleet.model.plan import Plan
from fleet.model.standing import Standing, level_key
from fleet.model.venue import Position, Venue
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.sealing import sealed


def key_of(venue: Venue, position: Position) -> str:
    """What the level of a position stands by in the mode that the venue has its room in."""
    return level_key(position.room, position.name, venue.rooms[position.room].mode)


def levels_before(outlook: Outlook, keys: Iterable[str], base: Standing | None = None) -> Standing:
    """What stands now by these keys of levels, beside what `base` says of other matters."""
    wanted = sorted(keys)
    chosen = {key: outlook.levels[key] for key in wanted if key in outlook.levels}
    levels_db = {key: chosen[key].level_db if key in chosen else None for key in wanted}
    return replace(base or Standing(), levels_db=levels_db, chosen=chosen)


def without_chosen(plan: Plan, outlook: Outlook, positions: Collection[Position]) -> Plan:
    """A plan after which nobody's level stands at these positions, in the modes of the outlook."""
    keys = [key for p in positions if (key := key_of(outlook.venue, p)) in outlook.levels]
    then = replace(plan.then, levels_db=dict.fromkeys(sorted(keys)))
    return sealed(replace(plan, was=levels_before(outlook, keys, plan.was), then=then))


def undone(plan: Plan, outlook: Outlook, record: ChangeRecord) -> Plan:
    """A rollback after which the levels stand that stood before the change, with whoever chose them."""
    before = record.plan.was
    then = replace(plan.then, levels_db=before.levels_db, chosen=before.chosen)
    return sealed(replace(plan, was=levels_before(outlook, before.levels_db, plan.was), then=then))
