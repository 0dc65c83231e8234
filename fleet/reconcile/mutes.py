"""The plans that mute what sounds, at once, and that take such a mute back. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from fleet.errors import BadInput
from fleet.model.plan import DevicePlan, LeftOut, Plan
from fleet.model.settings import DeviceSettings, OutputSettings
from fleet.model.standing import OurMute
from fleet.model.venue import Position
from fleet.reconcile.device_plan import device_plan
from fleet.reconcile.muted import OURS, in_force
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.reach import Goal
from fleet.reconcile.scope import Scope, Scoped, place, room_of, work_out
from fleet.reconcile.sealing import finish, sealed


def plan_mute(outlook: Outlook, scope: Scope) -> Plan:
    """Mute every output of a scope that sounds. Nothing asks and no hold refuses: silence is always allowed.

    A coherent set is muted as a whole. What must not be written to, and a device that does not answer, is left out and
    named; the rest of its set is muted all the same. Raises `NotFound` for unknown names.
    """
    asked = work_out(outlook.venue, scope, {})
    left_out = {place(p): one for p in asked.positions if (one := _cannot_be_muted(outlook, p)) is not None}
    positions = [p for p in asked.positions if place(p) not in left_out]
    sounding = [p for p in positions if outlook.reported[p.device].state.output(p.output).mute is False]
    notes = [_silent_already(outlook, p) for p in positions if p not in sounding]
    scoped = replace(
        asked,
        positions=tuple(sounding),
        left_out=(*asked.left_out, *(left_out[key] for key in sorted(left_out))),
        notes=(*asked.notes, *notes),
    )
    plan = finish("mute", _unheld(outlook), scope, scoped, _written(outlook, sounding, muted=True))
    then = replace(plan.then, muted={f"{p.room}/{p.name}": p.output for p in sounding})
    was = replace(plan.was, muted=dict.fromkeys(then.muted))
    return sealed(replace(plan, differences=(), was=was, then=then))


def plan_unmute(outlook: Outlook, scope: Scope, who: str) -> Plan:
    """Take back the last mute that stands in a room: what it muted sounds again, rising as everything does.

    What somebody else muted since stays muted, and so does a box that does not answer; both are named. A room on hold
    refuses unless it is `who` that holds it. Raises `NotFound` for an unknown room.
    """
    if scope.group or scope.position or scope.positions or scope.without:
        raise BadInput("a mute is taken back as a whole", remedy="Name the room alone.")
    room = room_of(outlook.venue, scope.rooms[0])
    standing = [m for m in outlook.mutes.values() if m.room == room.name and _silences(outlook, m)]
    if not standing:
        nothing = Scoped(positions=(), notes=(f"nothing in {room.name} is muted by this tool",))
        return finish("unmute", _unheld(outlook), scope, nothing, ())
    last = max(standing, key=lambda m: (m.at, m.change)).change
    reasons = {m.key: _stays_muted(outlook, m) for m in standing if m.change == last}
    ours = {key: room.positions[outlook.mutes[key].position] for key in sorted(reasons)}
    back = [p for key, p in ours.items() if reasons[key] is None]
    others = len(standing) - len(ours)
    scoped = Scoped(
        positions=tuple(back),
        left_out=tuple(one for key in sorted(reasons) if (one := reasons[key]) is not None),
        notes=(f"{others} more stay muted by an earlier mute: unmute again takes that back",) if others else (),
        named_rooms=frozenset(scope.rooms) | scope.also,
    )
    held = {r: words for r, words in outlook.held.items() if outlook.holders.get(r, "") != who}
    plan = finish("unmute", replace(_unheld(outlook), held=held), scope, scoped, _written(outlook, back, muted=False))
    return sealed(replace(plan, differences=(), undoes=last))


def _cannot_be_muted(outlook: Outlook, p: Position) -> LeftOut | None:
    def out(words: str, *, unable: bool = False) -> LeftOut:
        return LeftOut(room=p.room, position=p.name, device=p.device, words=words, unable=unable)

    if p.life_safety:
        return out("serves life safety: this tool never writes to it")
    if any(other.life_safety for other in outlook.venue.positions_of(p.device)):
        return out(f"{p.device} serves life safety as well: this tool never writes to it")
    if (words := outlook.conflicting.get(p.device)) is not None:
        return out(f"{p.device} is conflicting: {words}", unable=True)
    if p.device not in outlook.reported:
        return out(outlook.unreachable.get(p.device, f"{p.device} is not known"), unable=True)
    if outlook.reported[p.device].state.output(p.output).mute is None:
        return out(f"{p.device} has no mute at output {p.output}", unable=True)
    return None


def _silent_already(outlook: Outlook, p: Position) -> str:
    others = outlook.reported[p.device].state.muted_by_others(p.output)
    return f"{p.name} is muted already" + (f" ({', '.join(others)})" if others else "")


def _silences(outlook: Outlook, mute: OurMute) -> bool:
    reported = outlook.reported.get(mute.device)
    return in_force(mute, outlook.venue, reported.state if reported is not None else None)


def _stays_muted(outlook: Outlook, mute: OurMute) -> LeftOut | None:
    """Why a position that we muted is not unmuted; `None` where it is."""

    def out(words: str, *, unable: bool = False) -> LeftOut:
        return LeftOut(room=mute.room, position=mute.position, device=mute.device, words=words, unable=unable)

    if (words := outlook.conflicting.get(mute.device)) is not None:
        return out(f"{mute.device} is conflicting: {words}", unable=True)
    if mute.device not in outlook.reported:
        return out(outlook.unreachable.get(mute.device, f"{mute.device} is not known"), unable=True)
    causes = outlook.reported[mute.device].state.mute_causes.get(mute.output, ())
    if others := [c for c in causes if c != OURS]:
        return out(f"stays muted: {', '.join(others)} mutes it as well since")
    return None


def _written(outlook: Outlook, positions: Sequence[Position], *, muted: bool) -> list[DevicePlan | None]:
    by_device: dict[str, list[Position]] = {}
    for p in positions:
        by_device.setdefault(p.device, []).append(p)
    plans = []
    for device, ones in sorted(by_device.items()):
        live = DeviceSettings(outputs={p.output: OutputSettings(mute=muted) for p in ones})
        plans.append(device_plan(outlook, device, Goal(live=live), tuple(place(p) for p in ones)))
    return plans


def _unheld(outlook: Outlook) -> Outlook:
    return replace(outlook, held={}, guests={})
