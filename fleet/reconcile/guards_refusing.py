"""Guard rails that nobody lifts: what must not be done whatever is asked for."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from fleet.model.plan import DevicePlan, GuardHit, Phase
from fleet.model.settings import NO_FILTER, Crossover, NoFilter, OutputSettings
from fleet.reconcile.exact import ROUNDING
from fleet.reconcile.situation import Situation, hit_at, touched, who


def life_safety(plans: Sequence[DevicePlan], situation: Situation) -> Iterator[GuardHit]:
    """A device with any position that serves life safety is never written to."""
    for plan in plans:
        for position in situation.venue.positions_of(plan.device):
            if position.life_safety:
                yield hit_at("life-safety", position, "serves life safety: this tool never writes to it")


def conflicting(plans: Sequence[DevicePlan], situation: Situation) -> Iterator[GuardHit]:
    """A device that may be another one is not written to."""
    for plan in plans:
        if plan.device in situation.conflicting:
            words = f"{plan.device} is conflicting: {situation.conflicting[plan.device]}"
            yield GuardHit(guard="conflicting", words=words, may_allow=False, device=plan.device)


def ceiling(plans: Sequence[DevicePlan], situation: Situation) -> Iterator[GuardHit]:
    """A level does not rise above the ceiling of its position, nor is anything unmuted that is above it."""
    for plan, position, after in touched(plans, situation):
        ceiling_db = situation.ceiling_db(position)
        before_db = situation.reported[plan.device].state.output(position.output).level_db
        unmuted = situation.kind == "unmute"
        ends_db = before_db if unmuted and after.level_db is None else after.level_db
        if ceiling_db is None or ends_db is None or ends_db <= ceiling_db + ROUNDING:
            continue
        if before_db is None or ends_db > before_db or unmuted:
            whose = "its ceiling" if ceiling_db == position.ceiling_db else "the ceiling of the guests in the room"
            words = f"{ends_db:g} dB is above {whose} of {ceiling_db:g} dB"
            yield hit_at("ceiling", position, words)


def hold(plans: Sequence[DevicePlan], situation: Situation) -> Iterator[GuardHit]:
    """A room on hold is left alone, also by a device that it shares."""
    rooms = {position.room for _, position, _ in touched(plans, situation)}
    rooms |= {room for plan in plans for room, _ in plan.positions}
    for room in sorted(rooms & set(situation.held)):
        words = f"{room} is on hold: {situation.held[room]}"
        yield GuardHit(guard="hold", words=words, may_allow=False, room=room)


def protective_high_pass(plans: Sequence[DevicePlan], situation: Situation) -> Iterator[GuardHit]:
    """A protective high-pass is neither removed nor lowered below its limit."""
    for plan in plans:
        reported = situation.reported[plan.device]
        for output in reported.description.outputs:
            limit_hz = output.protective_high_pass_hz
            after = plan.after.live.outputs.get(output.output, OutputSettings()).high_pass
            before = reported.state.output(output.output).high_pass
            if limit_hz is not None and after is not None and _corner_hz(after) < min(limit_hz, _corner_hz(before)):
                words = (
                    f"{who(plan.device, output.output, situation)} would lose its protective high-pass "
                    f"({limit_hz:g} Hz or higher)"
                )
                yield GuardHit(guard="protective-high-pass", words=words, may_allow=False, device=plan.device)


def shared_device(plans: Sequence[DevicePlan], situation: Situation) -> Iterator[GuardHit]:
    """A recall that reaches into another room needs that room named too."""
    for plan in plans:
        if Phase.RECALL not in plan.work:
            continue
        rooms = {p.room for p in situation.venue.positions_of(plan.device)} - situation.named_rooms
        for room in sorted(rooms):
            words = f"a recall of {plan.device} touches {room} too; name that room as well (--also {room})"
            yield GuardHit(guard="shared-device", words=words, may_allow=False, device=plan.device, room=room)


def store_too_soon(plans: Sequence[DevicePlan], situation: Situation) -> Iterator[GuardHit]:
    """Slots are not written sooner again than the model allows: their memory wears."""
    for plan in plans:
        if Phase.STORE in plan.work and plan.device in situation.too_soon:
            words = f"the slots of {plan.device} {situation.too_soon[plan.device]}"
            yield GuardHit(guard="store-too-soon", words=words, may_allow=False, device=plan.device)


def _corner_hz(high_pass: Crossover | NoFilter | None) -> float:
    return 0.0 if high_pass is None or high_pass == NO_FILTER else high_pass.frequency_hz
