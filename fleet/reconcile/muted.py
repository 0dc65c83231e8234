"""Which positions are silent because somebody muted them through this tool, and which plans end that. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Final

from fleet.model.change import ChangeRecord
from fleet.model.plan import DevicePlan, Phase, Plan
from fleet.model.standing import OurMute, Standing
from fleet.model.state import MuteCause, Reported, State
from fleet.model.venue import Venue

OURS: Final[MuteCause] = "controller"


def silent_by_us(mutes: Iterable[OurMute], venue: Venue, reported: Mapping[str, Reported]) -> tuple[OurMute, ...]:
    """The mutes of ours that are in force."""
    found = ((m, reported.get(m.device)) for m in mutes)
    return tuple(m for m, one in found if in_force(m, venue, one.state if one is not None else None))


def in_force(mute: OurMute, venue: Venue, state: State | None) -> bool:
    """Whether a position is still silent because of a mute of ours, by what its box last told."""
    room = venue.rooms.get(mute.room)
    position = room.positions.get(mute.position) if room is not None else None
    if position is None or (position.device, position.output) != (mute.device, mute.output):
        return False
    if state is None:
        return True
    causes = state.mute_causes.get(mute.output, ())
    return state.output(mute.output).mute is True and (not causes or OURS in causes)


def ended_by(devices: Iterable[DevicePlan], venue: Venue, mutes: Mapping[str, OurMute]) -> tuple[Standing, Standing]:
    """What stands of mutes before and after these plans: whatever they let sound again is muted no more."""
    ended: dict[str, int] = {}
    for plan in devices:
        unmute, mute = (_outputs(plan, phase) for phase in (Phase.UNMUTE, Phase.MUTE))
        for p in venue.positions_of(plan.device):
            if p.output in unmute - mute and (key := f"{p.room}/{p.name}") in mutes:
                ended[key] = p.output
    return Standing(muted=dict(sorted(ended.items()))), Standing(muted=dict.fromkeys(sorted(ended)))


def muted_again(plan: Plan, record: ChangeRecord) -> Plan:
    """The rollback of a change that ended a mute: whoever rolls it back has muted that now."""
    places = {
        f"{r}/{p}" for d in plan.devices if Phase.MUTE in d.work and Phase.UNMUTE not in d.work for r, p in d.positions
    }
    again = {key: output for key, output in record.plan.was.muted.items() if output is not None and key in places}
    was, then = {**plan.was.muted, **dict.fromkeys(again)}, {**plan.then.muted, **again}
    return replace(plan, was=replace(plan.was, muted=was), then=replace(plan.then, muted=then))


def mutes_of(record: ChangeRecord) -> dict[str, OurMute | None]:
    """What a change that is kept says of mutes, by full name of a position; `None` where one is over."""
    assert record.ended is not None
    devices = {f"{room}/{position}": d.device for d in record.plan.devices for room, position in d.positions}
    found: dict[str, OurMute | None] = {}
    for key, output in record.plan.then.muted.items():
        room, position = key.split("/")
        found[key] = (
            None
            if output is None
            else OurMute(
                room=room,
                position=position,
                device=devices[key],
                output=output,
                at=record.ended,
                who=record.who,
                change=record.id,
            )
        )
    return found


def _outputs(plan: DevicePlan, phase: Phase) -> set[int]:
    settings = plan.work[phase].settings if phase in plan.work else None
    return set(settings.outputs) if settings is not None else set()
