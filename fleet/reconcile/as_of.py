"""The plans that bring positions back to how they were: to what was found at a moment, or to what was desired then.

Nothing is taken for granted of what slots hold by now: everything is written live. Nothing of it was verified before,
so guards ask as they do for any other change, with the ceilings and holds of today. Pure.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace

from fleet.errors import Refused
from fleet.model.names import shown
from fleet.model.plan import DevicePlan, Plan
from fleet.model.settings import OutputSettings
from fleet.model.state import OURS_OR_PANEL, Reported
from fleet.model.venue import Position, Room, Venue
from fleet.reconcile.device_plan import device_plan
from fleet.reconcile.goals import live_goal
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.scope import Place, Scope, Scoped, place, work_out
from fleet.reconcile.sealing import finish, sealed
from fleet.reconcile.wanted import WantedDevice, WantedOutput


def plan_as_found(outlook: Outlook, scope: Scope, then: Mapping[str, Reported], *, when: str = "") -> Plan:
    """Bring the positions of a scope back to what their devices reported `then`, by the id of the device of today.

    Level, polarity, delay, EQ and crossovers of each output are written, the input, and the active slot where nothing
    outside of the scope hangs on it. What was muted then by us or at the panel is muted again; what sounded is unmuted
    where the mute is ours or the panel's, and never what others muted. A box that stands in the place of another of
    the same model gets that one's settings, and is named. A device that does not answer, was not read then or is of
    another model is left out and named, its coherent set with it.

    Raises `NotFound` for unknown names, and `Refused` where nothing of the scope was read then.
    """
    asked = _asked(outlook, scope)
    reasons = {p.device: why for p in asked if (why := _left_out_of_found(outlook, p.device, then))}
    missing = {
        place(p): f"{p.device} had no output {p.output} then"
        for p in asked
        if p.device not in reasons and p.output not in then[p.device].state.live.outputs
    }
    scoped, devices = _worked_out(outlook, scope, reasons, missing)
    notes = list(scoped.notes)
    recalls: dict[str, int] = {}
    for device, positions in devices.items():
        now, was = outlook.reported[device], then[device]
        if (was.state.id, was.state.serial) != (now.state.id, now.state.serial):
            notes.append(f"{_box(now)} stands where {_box(was)} was then: it gets that one's settings")
        slot = was.state.active_slot
        if slot is None or slot == now.state.active_slot or slot > now.description.slots.count:
            continue
        if {place(p) for p in outlook.venue.positions_of(device)} <= {place(p) for p in positions}:
            recalls[device] = slot
        else:
            notes.append(f"{device} was in slot {slot} and stays in its own: not all of it is in what was asked for")
    wants = {d: _as_wanted(outlook.reported[d], positions, then[d]) for d, positions in devices.items()}
    return _plan(outlook, scope, replace(scoped, notes=tuple(notes)), devices, wants, recalls, when)


def plan_as_desired(
    outlook: Outlook,
    scope: Scope,
    wants: Mapping[str, WantedDevice],
    wrong: Mapping[str, str],
    absent: Collection[Place],
    *,
    when: str = "",
) -> Plan:
    """Bring the live settings of a scope to what was desired then.

    `wants` tells that by device of today, `wrong` why a device cannot be so, `absent` the positions that did not exist
    then (see `room_then`); the latter two are left out and named, as are devices that do not answer.
    Raises as `plan_as_found`.
    """
    missing = dict.fromkeys(absent, "there was no such position then")
    scoped, devices = _worked_out(outlook, scope, wrong, missing)
    written = {d: replace(wants[d], slot=None, stored=None) for d in devices}
    return _plan(outlook, scope, scoped, devices, written, {}, when)


def room_then(now: Room, then: Room) -> tuple[Room, frozenset[Place]]:
    """A room as it was desired then, each position at the device of today; and the positions that did not exist.

    A position of then that is gone, and whose device serves another one today, has none.
    """
    positions = {
        name: replace(then.positions[name], device=p.device, output=p.output)
        for name, p in now.positions.items()
        if name in then.positions
    }
    absent = frozenset(place(p) for name, p in now.positions.items() if name not in then.positions)
    bound = {(p.device, p.output) for p in positions.values()}
    gone = {
        name: replace(p, device="") if (p.device, p.output) in bound else p
        for name, p in then.positions.items()
        if name not in positions
    }
    return replace(then, positions={**gone, **positions}), absent


def as_bound(now: Room, then: Venue | None, found: Iterable[Reported]) -> dict[str, Reported]:
    """What was found then, by the device that is in its place today; `then` is the venue in force at that moment.

    A device whose positions were all served by another one then gets what that one reported; one that is here today
    and was not here then gets nothing.
    """
    reported = {r.state.id: r for r in found}
    before = then.rooms.get(now.name) if then is not None else None
    if before is None:
        return reported
    placed = dict(reported)
    here_then = {p.device for p in before.positions.values()}
    for device in sorted({p.device for p in now.positions.values()}):
        own = [(p, before.positions.get(p.name)) for p in now.positions.values() if p.device == device]
        served = {q.device if q is not None and q.output == p.output else "" for p, q in own}
        other = served.pop() if len(served) == 1 else ""
        if other in reported:
            placed[device] = reported[other]
        elif other or device not in here_then:
            placed.pop(device, None)
    return placed


def _left_out_of_found(outlook: Outlook, device: str, then: Mapping[str, Reported]) -> str:
    """Why a device cannot be what was found then; empty where it can. One that does not answer is told elsewhere."""
    if device not in then:
        return f"nothing was read of {device} then, or it was not here"
    if device not in outlook.reported:
        return ""
    was, is_now = then[device].description.model, outlook.reported[device].description.model
    return f"{device} is a {shown(is_now)}; a {shown(was)} was there then" if was != is_now else ""


def _asked(outlook: Outlook, scope: Scope) -> tuple[Position, ...]:
    """Positions of a scope and of its coherent sets, life-safety ones aside."""
    return tuple(p for p in work_out(outlook.venue, scope, {}).positions if not p.life_safety)


def _worked_out(
    outlook: Outlook, scope: Scope, reasons: Mapping[str, str], missing: Mapping[Place, str]
) -> tuple[Scoped, dict[str, tuple[Position, ...]]]:
    """The scope without what cannot take part, and its positions by device.

    Raises `Refused` where nothing is left to bring back.
    """
    asked = _asked(outlook, scope)
    gone = {place(p): missing[place(p)] for p in asked if place(p) in missing}
    narrowed = replace(scope, without=scope.without | {name for _, name in gone})
    unable = {**outlook.unreachable, **outlook.conflicting}
    scoped = work_out(outlook.venue, narrowed, {**reasons, **unable}, leave_out_dead=True)
    left_out = tuple(
        replace(x, words=gone.get((x.room, x.position), x.words), unable=x.device in unable) for x in scoped.left_out
    )
    devices: dict[str, list[Position]] = {}
    for position in scoped.positions:
        if not position.life_safety:
            devices.setdefault(position.device, []).append(position)
    if asked and not devices:
        raise Refused(
            f"nothing of {scope.words} can be brought back: " + "; ".join(dict.fromkeys(x.words for x in left_out)),
            remedy="Name another date or snapshot, or bring its devices back.",
        )
    by_device = {device: tuple(positions) for device, positions in sorted(devices.items())}
    return replace(scoped, left_out=left_out), by_device


def _as_wanted(now: Reported, positions: Iterable[Position], then: Reported) -> WantedDevice:
    """What was found of a device as a wish for the positions it serves today."""
    outputs = {p.output: WantedOutput(position=p, settings=_sounding_as(then, p.output)) for p in positions}
    device, found_input = now.state.id, then.state.live.input
    return WantedDevice(device=device, description=now.description, outputs=outputs, input=found_input)


def _sounding_as(then: Reported, output: int) -> OutputSettings:
    """Settings of an output as they were found; a mute that others held then is none of ours."""
    found = then.state.output(output)
    others = found.mute and not set(then.state.mute_causes.get(output, ())) & OURS_OR_PANEL
    return replace(found, mute=None) if others and then.state.muted_by_others(output) else found


def _plan(
    outlook: Outlook,
    scope: Scope,
    scoped: Scoped,
    devices: Mapping[str, tuple[Position, ...]],
    wants: Mapping[str, WantedDevice],
    recalls: Mapping[str, int],
    when: str,
) -> Plan:
    """Each device brought to its wish of then, and compared with that instead of what is desired today."""
    plans: list[DevicePlan | None] = []
    for device, positions in devices.items():
        goal = live_goal(wants[device], outlook.reported[device], positions, slot=recalls.get(device))
        plans.append(device_plan(outlook, device, goal, tuple(place(p) for p in positions)))
    plan = finish("recall", replace(outlook, wants=wants), scope, scoped, plans)
    return sealed(replace(plan, scope=f"{scope.words}, as of {when}")) if when else plan


def _box(reported: Reported) -> str:
    return f"{reported.state.id} ({shown(reported.state.serial)})"
