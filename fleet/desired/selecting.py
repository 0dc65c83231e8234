"""What selects a mode: a room's schedule and contacts into the model, and what is wrong with them, over all rooms."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import TypeAlias

from fleet.desired.day_parts import ContactPart, ScheduledPart, contact_of, days_of, scheduled_of, time_of_day
from fleet.desired.files import RoomFile
from fleet.desired.nodes import Trail
from fleet.desired.reading import Broken
from fleet.desired.wording import hint, nearest, quoted
from fleet.model.days import HOUSE_MODE
from fleet.model.names import shown
from fleet.model.venue import Room
from fleet.reconcile.contacts import compared

Complain: TypeAlias = Callable[[Trail, str], None]

DAY_WORDS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


def selected(room: Room, file: RoomFile, broken: Broken, complain: Complain) -> Room:
    """The room with what its file says of what selects its modes; modes that are written with mistakes are known."""
    modes = {*file.modes, *(name for section, name in broken if section == "modes"), HOUSE_MODE}
    for number, entry in enumerate(file.schedule):
        if entry.mode not in modes:
            complain(("schedule", number, "mode"), _unknown(entry.mode, modes))
    _two_at_one_time(file.schedule, complain)
    for number, contact in enumerate(file.contacts):
        for value, mode in contact.modes.items():
            if mode not in modes:
                complain(("contacts", number, "modes", value), _unknown(mode, modes))
        _alike(number, contact, complain)
    return replace(
        room,
        schedule=tuple(scheduled_of(entry) for entry in file.schedule),
        contacts=tuple(contact_of(contact) for contact in file.contacts),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Disagreement:
    """A contact of a room that says something else than another one on its topic."""

    room: str
    number: int
    text: str


def disagreements(rooms: Mapping[str, Room]) -> Iterator[Disagreement]:
    """Contacts on one topic that would have one value bring a room into two modes, or differ in when a value counts."""
    settle_s: dict[str, tuple[float, str]] = {}
    wanted: dict[tuple[str, str, str], tuple[str, str, int]] = {}
    for name, room in sorted(rooms.items()):
        for number, contact in enumerate(room.contacts):
            topic, words = contact.topic, quoted(contact.topic)
            first_s, owner = settle_s.setdefault(topic, (contact.settle_s, name))
            if first_s != contact.settle_s:
                text = f"a value on {words} counts after {contact.settle_s:g} s here, and after {first_s:g} s in room "
                yield Disagreement(room=name, number=number, text=f"{text}{quoted(owner)}; give both the same")
            for value, mode in contact.modes.items():
                for whose, comes_to in brought(room, mode).items():
                    key = (topic, compared(value), whose)
                    first, owner, other = wanted.setdefault(key, (comes_to, name, number))
                    if first != comes_to and (owner, other) != (name, number):
                        text = f"{quoted(value)} on {words} brings room {quoted(whose)} into {quoted(comes_to)} here, "
                        text += f"and into {quoted(first)} by the contact in room {quoted(owner)}; say one of them"
                        yield Disagreement(room=name, number=number, text=text)


def brought(room: Room, mode: str) -> dict[str, str]:
    """The rooms that come into a mode when this one does, and which."""
    found = room.modes.get(mode)
    return {room.name: mode, **(found.together_with if found else {})}


def _unknown(mode: str, modes: Collection[str]) -> str:
    if set(modes) == {HOUSE_MODE}:
        return f"unknown mode {quoted(mode)}; the room has no modes, only `{HOUSE_MODE}`"
    return f"unknown mode {quoted(mode)}{nearest(mode, modes) or hint(mode, modes)}"


def _two_at_one_time(schedule: list[ScheduledPart], complain: Complain) -> None:
    first: dict[tuple[str, int], int] = {}
    for number, entry in enumerate(schedule):
        at = time_of_day(entry.at)
        twice = [day for day in days_of(entry.days) if first.setdefault((at.isoformat(), day), number) != number]
        if twice:
            other = first[at.isoformat(), twice[0]]
            text = f"at {entry.at} on {DAY_WORDS[twice[0]]} there is an entry already, number {other + 1}; take one out"
            complain(("schedule", number, "at"), text)


def _alike(number: int, contact: ContactPart, complain: Complain) -> None:
    first: dict[str, str] = {}
    for value in contact.modes:
        other = first.setdefault(compared(value), value)
        if other != value:
            text = f"{quoted(shown(value))} and {quoted(other)} are alike: capitals and outer spaces do not count"
            complain(("contacts", number, "modes", value), text)
