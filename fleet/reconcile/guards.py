"""Guard rails: what speaks against a plan, as properties of the plan itself.

A hit either refuses the plan outright or may be lifted by a person by its name (`--allow NAME`). Life safety is looked
at first. "Louder" is the largest rise of the predicted response at any frequency from what is live; sound from
an output that was muted counts as a rise without bound.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from fleet.model.plan import DevicePlan, GuardHit, Phase
from fleet.model.settings import NO_FILTER, Crossover, NoFilter, OutputSettings
from fleet.model.state import Reported
from fleet.model.venue import Position, Venue
from fleet.reconcile.exact import ROUNDING
from fleet.reconcile.response import largest_rise_db

MAX_RISE_DB = 6.0
TOLD_RISE_DB = 0.5
MAX_SHARE_OF_ROOM = 0.5
SMALLEST_ROOM = 3
"""Positions from which on a room has a half worth asking about."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Situation:
    """What the guards look at besides the devices' plans.

    `conflicting` maps devices that must not be written to, to the reason; `trusted_recalls` holds devices whose
    recall was verified to bring back exactly what is desired: these ramp instead of asking.
    """

    venue: Venue
    reported: Mapping[str, Reported]
    in_scope: frozenset[tuple[str, str]]
    named_rooms: frozenset[str]
    conflicting: Mapping[str, str] = field(default_factory=dict)
    trusted_recalls: frozenset[str] = frozenset()
    held: Mapping[str, str] = field(default_factory=dict)


def guard_hits(plans: Sequence[DevicePlan], situation: Situation) -> tuple[GuardHit, ...]:
    """Everything that speaks against these plans, life safety first, then in the order of the guards and devices."""
    return tuple(hit for guard in GUARDS for hit in guard(plans, situation))


def louder(plans: Sequence[DevicePlan], situation: Situation) -> tuple[str, ...]:
    """What will be louder, by position, in words."""
    lines = []
    for plan in plans:
        for number, rise_db in rises_db(plan, situation.reported[plan.device]).items():
            if rise_db > TOLD_RISE_DB:
                how = "will sound: it is muted now" if math.isinf(rise_db) else f"up to {rise_db:.1f} dB louder"
                lines.append(f"{_who(plan.device, number, situation)} {how}")
    return tuple(lines)


def rises_db(plan: DevicePlan, reported: Reported) -> dict[int, float]:
    """Largest rise in dB of each touched output; infinite where a muted output will sound."""
    result = {}
    for number, after in plan.after.live.outputs.items():
        before = reported.state.output(number)
        ends_muted = before.mute if after.mute is None else after.mute
        if ends_muted:
            continue
        if before.mute:
            result[number] = math.inf
        else:
            result[number] = largest_rise_db(reported.description, number, before, after.over(before))
    return result


def _life_safety(plans: Sequence[DevicePlan], situation: Situation) -> Iterator[GuardHit]:
    for plan in plans:
        for position in situation.venue.positions_of(plan.device):
            if position.life_safety:
                yield _hit("life-safety", position, "serves life safety: this tool never writes to it")


def _conflicting(plans: Sequence[DevicePlan], situation: Situation) -> Iterator[GuardHit]:
    for plan in plans:
        if plan.device in situation.conflicting:
            words = f"{plan.device} is conflicting: {situation.conflicting[plan.device]}"
            yield GuardHit(guard="conflicting", words=words, may_allow=False, device=plan.device)


def _ceiling(plans: Sequence[DevicePlan], situation: Situation) -> Iterator[GuardHit]:
    for plan, position, after in _touched(plans, situation):
        if position.ceiling_db is None or after.level_db is None or after.level_db <= position.ceiling_db + ROUNDING:
            continue
        before = situation.reported[plan.device].state.output(position.output).level_db
        if before is None or after.level_db > before:
            words = f"{after.level_db:g} dB is above its ceiling of {position.ceiling_db:g} dB"
            yield _hit("ceiling", position, words)


def _hold(plans: Sequence[DevicePlan], situation: Situation) -> Iterator[GuardHit]:
    touched = {position.room for _, position, _ in _touched(plans, situation)}
    touched |= {room for plan in plans for room, _ in plan.positions}
    for room in sorted(touched & set(situation.held)):
        words = f"{room} is on hold: {situation.held[room]}"
        yield GuardHit(guard="hold", words=words, may_allow=False, room=room)


def _protective_high_pass(plans: Sequence[DevicePlan], situation: Situation) -> Iterator[GuardHit]:
    for plan in plans:
        reported = situation.reported[plan.device]
        for output in reported.description.outputs:
            limit_hz = output.protective_high_pass_hz
            after = plan.after.live.outputs.get(output.output, OutputSettings()).high_pass
            before = reported.state.output(output.output).high_pass
            if limit_hz is not None and after is not None and _corner_hz(after) < min(limit_hz, _corner_hz(before)):
                words = (
                    f"{_who(plan.device, output.output, situation)} would lose its protective high-pass "
                    f"({limit_hz:g} Hz or higher)"
                )
                yield GuardHit(guard="protective-high-pass", words=words, may_allow=False, device=plan.device)


def _shared_device(plans: Sequence[DevicePlan], situation: Situation) -> Iterator[GuardHit]:
    for plan in plans:
        if Phase.RECALL not in plan.work:
            continue
        rooms = {p.room for p in situation.venue.positions_of(plan.device)} - situation.named_rooms
        for room in sorted(rooms):
            words = f"a recall of {plan.device} touches {room} too; name that room as well (--also {room})"
            yield GuardHit(guard="shared-device", words=words, may_allow=False, device=plan.device, room=room)


def _rise(plans: Sequence[DevicePlan], situation: Situation) -> Iterator[GuardHit]:
    for plan in plans:
        if plan.device in situation.trusted_recalls:
            continue
        for number, rise_db in rises_db(plan, situation.reported[plan.device]).items():
            if rise_db > MAX_RISE_DB + ROUNDING:
                how = "is muted and would sound" if math.isinf(rise_db) else f"would rise by {rise_db:.1f} dB"
                words = f"{_who(plan.device, number, situation)} {how}"
                yield GuardHit(guard="rise", words=words, may_allow=True, device=plan.device)


def _half_room(plans: Sequence[DevicePlan], situation: Situation) -> Iterator[GuardHit]:
    touched = Counter(
        room
        for plan in plans
        if plan.device not in situation.trusted_recalls and set(plan.work) != {Phase.STORE}
        for room, _ in plan.positions
    )
    for room, count in sorted(touched.items()):
        total = len(situation.venue.rooms[room].positions) if room in situation.venue.rooms else count
        if total >= SMALLEST_ROOM and count > total * MAX_SHARE_OF_ROOM:
            words = f"{count} of {total} positions of {room} would change at once"
            yield GuardHit(guard="half-room", words=words, may_allow=True, room=room)


def _live_click(plans: Sequence[DevicePlan], situation: Situation) -> Iterator[GuardHit]:
    for plan in plans:
        muting = plan.work[Phase.MUTE].settings if Phase.MUTE in plan.work else None
        if muting is None or plan.device in situation.trusted_recalls:
            continue
        for position in situation.venue.positions_of(plan.device):
            if position.output in muting.outputs and (position.room, position.name) not in situation.in_scope:
                words = "is outside of what was asked for and would fall silent for a moment"
                yield _hit("live-click", position, words, may_allow=True)


Guard = Callable[[Sequence[DevicePlan], Situation], Iterator[GuardHit]]
GUARDS: tuple[Guard, ...] = (
    _life_safety,
    _conflicting,
    _hold,
    _ceiling,
    _protective_high_pass,
    _shared_device,
    _rise,
    _half_room,
    _live_click,
)


def unlifted(hits: Collection[GuardHit], allowed: Collection[str]) -> tuple[GuardHit, ...]:
    """The hits that still stand when a person allows the guards of these names."""
    return tuple(hit for hit in hits if not (hit.may_allow and hit.guard in allowed))


def _touched(
    plans: Sequence[DevicePlan], situation: Situation
) -> Iterator[tuple[DevicePlan, Position, OutputSettings]]:
    for plan in plans:
        for position in situation.venue.positions_of(plan.device):
            if position.output in plan.after.live.outputs:
                yield plan, position, plan.after.live.outputs[position.output]


def _who(device: str, output: int, situation: Situation) -> str:
    names = [p.name for p in situation.venue.positions_of(device) if p.output == output]
    return names[0] if names else f"{device} output {output}"


def _hit(guard: str, position: Position, words: str, *, may_allow: bool = False) -> GuardHit:
    return GuardHit(
        guard=guard,  # type: ignore[arg-type]  # the callers above pass names of GuardName
        words=f"{position.name} {words}",
        may_allow=may_allow,
        room=position.room,
        position=position.name,
        device=position.device,
    )


def _corner_hz(high_pass: Crossover | NoFilter | None) -> float:
    return 0.0 if high_pass is None or high_pass == NO_FILTER else high_pass.frequency_hz
