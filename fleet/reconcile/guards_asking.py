"""Guard rails that ask: what a person may want, and lifts by name (`--allow NAME`)."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Final

from fleet.model.plan import DevicePlan, GuardHit, Phase, PlanKind
from fleet.reconcile.exact import ROUNDING
from fleet.reconcile.rises import rises_db
from fleet.reconcile.situation import Situation, hit_at, touched, who
from fleet.reconcile.unmanaged import unmanaged_changes

MAX_RISE_DB = 6.0
MAX_SHARE_OF_ROOM = 0.5
SMALLEST_ROOM = 3
"""Positions from which on a room has a half worth asking about."""
MAX_DEVICES = 50
ANYBODYS: Final[frozenset[PlanKind]] = frozenset({"level", "mute", "unmute"})
"""Changes that an operator makes while people listen: within an allowed range, to silence, and back to a moment ago."""


def guest(plans: Sequence[DevicePlan], situation: Situation) -> Iterator[GuardHit]:
    """A room with a guest is the guest's, also where a device that it shares is touched; levels and mutes go on."""
    if situation.kind in ANYBODYS:
        return
    rooms = {position.room for _, position, _ in touched(plans, situation)}
    rooms |= {room for plan in plans for room, _ in plan.positions}
    for room in sorted(rooms & set(situation.guests)):
        words = f"{room} has a guest: {situation.guests[room]}"
        yield GuardHit(guard="guest", words=words, may_allow=True, room=room)


def rise(plans: Sequence[DevicePlan], situation: Situation) -> Iterator[GuardHit]:
    """An output gets much louder, or sounds although it was muted.

    A level change ramps instead: it stays in a range that the integrator has allowed. So does an unmute: it returns to
    what was a moment ago.
    """
    for plan in plans:
        if plan.device in situation.trusted_recalls or situation.kind in ANYBODYS:
            continue
        for number, rise_db in rises_db(plan, situation.reported[plan.device]).items():
            if rise_db > MAX_RISE_DB + ROUNDING:
                how = "is muted and would sound" if math.isinf(rise_db) else f"would rise by {rise_db:.1f} dB"
                words = f"{who(plan.device, number, situation)} {how}"
                yield GuardHit(guard="rise", words=words, may_allow=True, device=plan.device)


def half_room(plans: Sequence[DevicePlan], situation: Situation) -> Iterator[GuardHit]:
    """More than half of a room changes at once."""
    counts = Counter(room for plan in _at_once(plans, situation) for room, _ in plan.positions)
    for room, count in sorted(counts.items()):
        total = len(situation.venue.rooms[room].positions) if room in situation.venue.rooms else count
        if total >= SMALLEST_ROOM and count > total * MAX_SHARE_OF_ROOM:
            words = f"{count} of {total} positions of {room} would change at once"
            yield GuardHit(guard="half-room", words=words, may_allow=True, room=room)


def many_devices(plans: Sequence[DevicePlan], situation: Situation) -> Iterator[GuardHit]:
    """More devices change at once than anybody looks at."""
    count = len(_at_once(plans, situation))
    if count > MAX_DEVICES:
        words = f"{count} devices would change at once, more than {MAX_DEVICES}"
        yield GuardHit(guard="many-devices", words=words, may_allow=True)


def unmanaged(plans: Sequence[DevicePlan], situation: Situation) -> Iterator[GuardHit]:
    """A recall changes settings that nothing manages."""
    for plan in plans:
        if plan.device in situation.trusted_recalls or plan.device not in situation.wants:
            continue
        for words in unmanaged_changes(plan, situation.wants[plan.device], situation.reported[plan.device]):
            yield GuardHit(guard="unmanaged", words=words, may_allow=True, device=plan.device)


def live_click(plans: Sequence[DevicePlan], situation: Situation) -> Iterator[GuardHit]:
    """An output outside of what was asked for falls silent for a moment."""
    for plan in plans:
        muting = plan.work[Phase.MUTE].settings if Phase.MUTE in plan.work else None
        if muting is None or plan.device in situation.trusted_recalls:
            continue
        for position in situation.venue.positions_of(plan.device):
            if position.output in muting.outputs and (position.room, position.name) not in situation.in_scope:
                words = "is outside of what was asked for and would fall silent for a moment"
                yield hit_at("live-click", position, words, may_allow=True)


def _at_once(plans: Sequence[DevicePlan], situation: Situation) -> list[DevicePlan]:
    """Plans that change what sounds, and not just to what was verified in a slot, nor what an operator may do."""
    if situation.kind in ANYBODYS:
        return []
    return [p for p in plans if p.device not in situation.trusted_recalls and not _only_stores(p)]


def _only_stores(plan: DevicePlan) -> bool:
    """Whether nothing is written that sounds now: slots, and the slot to power up in."""
    settings = [w.settings for w in plan.work.values() if w.settings is not None]
    silent = all(not s.outputs and set(s.given()) <= {"power_up_slot"} for s in settings)
    return silent and not any(w.recall for w in plan.work.values())
