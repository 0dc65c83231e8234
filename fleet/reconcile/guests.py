"""Guest sessions: who is above the ceiling, what is not as it was before, and the plan that brings it back. Pure."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace

from fleet.errors import Refused
from fleet.model.days import HOUSE_MODE
from fleet.model.guest import GuestSession
from fleet.model.listing import counted, listed
from fleet.model.names import Name
from fleet.model.plan import LeftOut, Plan
from fleet.model.standing import OperatorLevel, Standing, level_place
from fleet.model.state import Reported
from fleet.model.venue import Position, Room
from fleet.reconcile.as_of import plan_as_found
from fleet.reconcile.exact import ROUNDING
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.scope import Scope, select
from fleet.reconcile.sealing import sealed

Found = Mapping[str, Reported]


@dataclass(frozen=True, slots=True, kw_only=True)
class Leftovers:
    """What a guest has left.

    `apart` are positions that are not as they were before, `away` those that cannot be told of yet because their
    devices (or others of their coherent sets) are off, `stood` what else stood before, in words. `not_compared`
    those of which nothing is known to compare them with, in words. `beyond` is what is another now and cannot be put
    back by itself, in words.
    """

    apart: tuple[Name, ...] = ()
    away: tuple[Name, ...] = ()
    stood: tuple[str, ...] = ()
    not_compared: tuple[str, ...] = ()
    beyond: tuple[str, ...] = ()

    def nothing(self) -> bool:
        """Whether all is as it was before, as far as can be told."""
        return not (self.apart or self.stood)


def above_ceiling(positions: Iterable[Position], reported: Found, ceiling_db: float) -> frozenset[Name]:
    """Positions whose level is above a ceiling by what their devices report; life-safety ones are not looked at."""
    levels_db = {
        p.name: reported[p.device].state.output(p.output).level_db
        for p in positions
        if p.device in reported and not p.life_safety
    }
    return frozenset(
        name for name, level_db in levels_db.items() if level_db is not None and level_db > ceiling_db + ROUNDING
    )


def plan_put_back(outlook: Outlook, session: GuestSession, then: Found, present_mode: Name) -> Plan:
    """Bring a room back to how it was before its guest: settings, the mode, and the levels that somebody chose.

    `outlook` is of the mode that stood then. Devices that are off are left out and named. Raises as `plan_as_found`.
    """
    scope = Scope(rooms=(session.room,))
    plan = plan_as_found(outlook, scope, then)
    alone = _changes_alone(outlook.venue.rooms[session.room], (present_mode, session.mode))
    was, back = standing_before(session, outlook.levels, present_mode if alone else session.mode)
    words = f"{session.room}, as before {session.guest} (guest session {session.id})"
    notes = plan.notes
    if not alone:
        recall = f"`fleet recall {session.room} --mode {session.mode}`"
        notes += (
            f"the room was in mode {session.mode} and stays in {present_mode}: {recall} brings all its rooms there",
        )
    return sealed(replace(plan, scope=words, notes=notes, was=was, then=back))


def standing_before(
    session: GuestSession, levels: Mapping[str, OperatorLevel], present_mode: Name
) -> tuple[Standing, Standing]:
    """The mode and the chosen levels of a room now and before its guest, as far as they are not the same."""
    own = {key: level for key, level in levels.items() if level.room == session.room}
    now_db = {key: own[key].level_db if key in own else None for key in {*own, *session.levels}}
    then_db = {key: session.levels[key].level_db if key in session.levels else None for key in now_db}
    moved = sorted(key for key in now_db if now_db[key] != then_db[key])
    modes = {session.room: (present_mode, session.mode)} if present_mode != session.mode else {}
    return (
        Standing(
            modes={room: now for room, (now, _) in modes.items()},
            levels_db={key: now_db[key] for key in moved},
            chosen={key: own[key] for key in moved if key in own},
        ),
        Standing(
            modes={room: before for room, (_, before) in modes.items()},
            levels_db={key: then_db[key] for key in moved},
            chosen={key: session.levels[key] for key in moved if key in session.levels},
        ),
    )


def leftovers(outlook: Outlook, session: GuestSession, then: Found, present_mode: Name) -> Leftovers:
    """What is not as it was before the guest, by the plan that would bring it back."""
    positions = select(outlook.venue, session.room)
    beyond = tuple(_beyond(positions, then, outlook.reported))
    if not _changes_alone(outlook.venue.rooms[session.room], (present_mode, session.mode)):
        beyond += (f"mode {session.mode}",)
    try:
        plan = plan_put_back(outlook, session, then, present_mode)
    except Refused:  # nothing of the room can be brought back now
        off = outlook.unreachable.keys() | outlook.conflicting.keys()
        away = tuple(p.name for p in positions if p.device in off and p.device in then and not p.life_safety)
        unread = [p for p in positions if not p.life_safety and p.device not in then]
        told = tuple(f"{p.name} (nothing was read of {p.device} then, or it was not here)" for p in unread)
        return Leftovers(away=away, not_compared=told, beyond=beyond)
    apart = sorted({name for device in plan.devices for room, name in device.positions if room == session.room})
    stood = []
    if plan.was.modes != plan.then.modes:
        stood.append(f"the room was in mode {session.mode}")
    if plan.was.levels_db != plan.then.levels_db:
        names = sorted({level_place(key)[1] for key in plan.then.levels_db})
        stood.append(f"other levels were chosen for {listed(names)}")
    away = waiting(plan.left_out, positions)
    silent = {*away, *(p.name for p in positions if p.life_safety)}
    not_compared = tuple(f"{x.position} ({x.words})" for x in plan.left_out if x.position not in silent)
    return Leftovers(apart=tuple(apart), away=away, stood=tuple(stood), not_compared=not_compared, beyond=beyond)


def waiting(left_out: Iterable[LeftOut], positions: Iterable[Position]) -> tuple[Name, ...]:
    """Positions that a plan leaves out until their devices are back, or those of others of their coherent sets."""
    sets = {p.name: frozenset(p.coherent) for p in positions}
    out = tuple(left_out)
    off = {x.position for x in out if x.unable}
    broken = frozenset(name for position in off for name in sets.get(position, ()))
    return tuple(sorted(x.position for x in out if x.unable or sets.get(x.position, frozenset()) & broken))


def louder_words(session: GuestSession, position: Name, level_db: float) -> str:
    """That a position is louder than a guest may have it, in one sentence."""
    return (
        f"{position} in {session.room} is at {level_db:g} dB, above the ceiling of {session.ceiling_db:g} dB for "
        f"{session.guest}: a desk or a panel made it so."
    )


def ended_words(session: GuestSession, left: Leftovers) -> str:
    """How a room was left, in one sentence."""
    subject = f"The guest session of {session.guest} in {session.room} has ended"
    if not left.nothing():
        said = f"{subject}: {_apart(left)}, and can be put back"
    elif left.away or left.not_compared:
        said = f"{subject}: what could be compared is as it was before"
    else:
        said = f"{subject}: all is as it was before"
    return said + _away(left.away) + _not_compared(left.not_compared) + _beyond_words(left.beyond) + "."


def back_words(session: GuestSession, left: Leftovers) -> str:
    """How a room was left whose boxes that were off (`away`) are all back, in one sentence."""
    subject = f"What was off after {session.guest} in {session.room} is back ({listed(session.away)})"
    if left.nothing():
        return f"{subject}, and all is as it was before{_beyond_words(left.beyond)}."
    return f"{subject}: {_apart(left)}, and can be put back{_beyond_words(left.beyond)}."


def _changes_alone(room: Room, modes: Collection[Name]) -> bool:
    """Whether a room goes from one of these modes to another without other rooms; also where they are the same."""
    known = [room.modes[mode] for mode in modes if mode in room.modes]
    gone = [mode for mode in modes if mode != HOUSE_MODE and mode not in room.modes]
    return len(set(modes)) == 1 or not (gone or any(mode.together_with for mode in known))


def _apart(left: Leftovers) -> str:
    parts = []
    if left.apart:
        verb = "is" if len(left.apart) == 1 else "are"
        parts.append(f"{counted(len(left.apart), 'position')} {verb} not as before ({listed(left.apart)})")
    return listed([*parts, *left.stood])


def _away(away: Collection[Name]) -> str:
    if not away:
        return ""
    names = listed(sorted(away))
    return f"; {names} could not be compared, since boxes are off, and can be put back once these are back"


def _not_compared(positions: Collection[str]) -> str:
    return f"; not compared: {listed(sorted(positions))}" if positions else ""


def _beyond_words(beyond: Collection[str]) -> str:
    return f"; not put back by that: {listed(sorted(beyond))}" if beyond else ""


def _beyond(positions: Iterable[Position], then: Found, now: Found) -> Iterable[str]:
    """Settings of devices that are others now and that bringing a room back does not touch, in words."""
    for device in sorted({p.device for p in positions if not p.life_safety} & then.keys() & now.keys()):
        was, found = then[device], now[device]
        if was.state.live.panel_locked != found.state.live.panel_locked:
            yield f"the panel lock of {device}"
        if was.state.live.power_up_slot != found.state.live.power_up_slot:
            yield f"the power-up slot of {device}"
        for slot in sorted(was.slots.keys() & found.slots.keys()):
            contents = was.slots[slot], found.slots[slot]
            if all(c.outputs is not None for c in contents) and contents[0] != contents[1]:
                yield f"what slot {slot} of {device} holds"
