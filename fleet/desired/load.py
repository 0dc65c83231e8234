"""The venue folder into one version of the desired state, or all complaints at once as file:line:column."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Final

from fleet.desired.curves import curve_of
from fleet.desired.files import RoomFile, VenueFile
from fleet.desired.folder import VENUE_FILE
from fleet.desired.loudspeaker_types import type_of
from fleet.desired.nodes import Problem, Trail
from fleet.desired.places import Places, written
from fleet.desired.reading import Broken, names_in, read_on_template, read_room, read_venue
from fleet.desired.resolve import Shared, Trouble, resolve_room
from fleet.desired.selecting import disagreements
from fleet.desired.sharing import device_disputed, disputed_in_modes, output_shared
from fleet.desired.templates import stands_on
from fleet.desired.together import join
from fleet.desired.version import Version
from fleet.desired.wording import quoted
from fleet.errors import BadFiles, Complaint
from fleet.model.edge import digest
from fleet.model.names import shown
from fleet.model.venue import Position, Room, Venue

_ROOM_FILE: Final = re.compile(r"rooms/[^/\x00-\x1f]+\.yaml")


@dataclass(slots=True, kw_only=True)
class _Rooms:
    """Rooms as their files say, and what is wrong in these. Without `all_known` some room could not be read."""

    rooms: dict[str, Room] = field(default_factory=dict)
    file_of: dict[str, str] = field(default_factory=dict)
    broken_modes: set[tuple[str, str]] = field(default_factory=set)
    complaints: list[Complaint] = field(default_factory=list)
    all_known: bool = True


def load(files: Mapping[str, str]) -> Version:
    """The version that files (relative path -> text) make. Raises `BadFiles` with all complaints, sorted by place."""
    texts = dict(sorted(files.items()))
    venue_text = texts.get(VENUE_FILE, "")
    venue = read_venue(venue_text)
    complaints = [*_misplaced(texts), *(_at(VENUE_FILE, venue.problems) if VENUE_FILE in texts else ())]
    shared = _shared(venue.file, venue_text)
    read = _read_rooms(texts, venue_text, shared, told=complaints)
    rooms, apart = join(read.rooms, read.broken_modes, all_known=read.all_known)
    places = Places(files=texts, file_of=read.file_of, venue_file=VENUE_FILE)
    complaints += read.complaints
    complaints += [each for r, at, text in apart for each in _placed(read.file_of[r], texts, [Trouble(at, text)])]
    for one in disagreements(rooms):
        trouble = Trouble(("contacts", one.number, "topic"), one.text)
        complaints += _placed(read.file_of[one.room], texts, [trouble])
    complaints += _shared_devices([p for room in rooms.values() for p in room.positions.values()], places)
    complaints += _shared_in_modes(rooms, places)
    if complaints or venue.file is None:
        raise BadFiles(tuple(sorted(set(complaints))))
    return Version(
        venue=Venue(
            name=venue.file.name,
            time_zone=venue.file.time_zone,
            rooms=rooms,
            loudspeaker_types={name: one for name, one in shared.loudspeaker_types.items() if one is not None},
        ),
        sha256=digest(texts),
        files=texts,
        places=places,
    )


def _shared(venue: VenueFile | None, venue_text: str) -> Shared:
    """What the venue's file gives to all rooms; what is broken in it is known by its name."""
    curves = {name: curve_of(part) for name, part in venue.curves.items()} if venue else {}
    types = {name: type_of(name, part) for name, part in venue.loudspeaker_types.items()} if venue else {}
    return Shared(
        curves={**dict.fromkeys(names_in(venue_text, "curves")), **curves},
        tolerances=venue.tolerances if venue else None,
        loudspeaker_types={**dict.fromkeys(names_in(venue_text, "loudspeaker_types")), **types},
    )


def _read_rooms(texts: Mapping[str, str], venue_text: str, shared: Shared, *, told: Iterable[Complaint]) -> _Rooms:
    """Every room. Mistakes of a template that are `told` already are not told again for each room."""
    read = _Rooms()
    known = {(each.file, each.line, each.column) for each in told}
    for path, text in texts.items():
        if not _ROOM_FILE.fullmatch(path):
            continue
        file, broken, found = _room(path, text, venue_text)
        read.complaints.extend(each for each in found if (each.file, each.line, each.column) not in known)
        if file is None:
            read.all_known = False
            continue
        room, troubles = resolve_room(file, broken, shared)
        read.complaints.extend(_placed(path, texts, troubles))
        if first := read.file_of.get(room.name):
            trouble = Trouble(("room",), f"room {quoted(room.name)} is already in {first}; rename one")
            read.complaints.extend(_placed(path, texts, [trouble]))
            continue
        read.rooms[room.name], read.file_of[room.name] = room, path
        read.broken_modes.update((room.name, name) for section, name in broken if section == "modes")
    return read


def _misplaced(texts: Mapping[str, str]) -> Iterator[Complaint]:
    if VENUE_FILE not in texts:
        yield Complaint(VENUE_FILE, 1, 1, f"{VENUE_FILE} is missing")
    for path in texts:
        if path != VENUE_FILE and not _ROOM_FILE.fullmatch(path):
            yield Complaint(shown(path, 200), 1, 1, f"not a file of a venue folder: {VENUE_FILE} or rooms/NAME.yaml")


def _at(path: str, problems: tuple[Problem, ...]) -> list[Complaint]:
    return [Complaint(shown(path, 200), problem.line, problem.column, problem.text) for problem in problems]


def _room(path: str, text: str, venue_text: str) -> tuple[RoomFile | None, Broken, Iterable[Complaint]]:
    """A room's file, read, with what is wrong with it and with the template that it stands on."""
    if stands_on(text):
        reading = read_on_template(path, text, VENUE_FILE, venue_text)
        return reading.file, reading.broken, reading.complaints
    alone = read_room(text)
    return alone.file, alone.broken, _at(path, alone.problems)


def _placed(path: str, texts: Mapping[str, str], troubles: list[Trouble]) -> list[Complaint]:
    if not troubles:
        return []
    room = written(texts, path, VENUE_FILE)
    placed = [(room.key_place(t.path) if _is_name(t.path) else room.value_place(t.path), t.text) for t in troubles]
    return [Complaint(shown(file, 200), line, column, text) for (file, line, column), text in placed]


def _is_name(path: Trail) -> bool:
    if path[:1] == ("modes",):
        return len(path) == 2 or (len(path) == 4 and path[2] in ("positions", "groups"))
    return len(path) == 2 and path[0] in ("positions", "groups")


def _shared_devices(positions: list[Position], places: Places) -> Iterator[Complaint]:
    for first, other in output_shared(positions):
        what = f"output {other.output} of {quoted(other.device)} already serves {_told(first, 'device', places)}"
        yield Complaint(*places.place(other.room, other.name, "device"), f"{what}; an output serves one position")
    for first, other, setting in device_disputed(positions):
        what = f"{quoted(other.name)} and {_told(first, setting, places)} share device {quoted(other.device)}"
        yield Complaint(*places.place(other.room, other.name), f"{what} but disagree on {quoted(setting)}")


def _shared_in_modes(rooms: Mapping[str, Room], places: Places) -> Iterator[Complaint]:
    """The same of each mode of a room, with the rooms that go along in their modes, where it is not so without."""
    for room, mode, first, other, setting in disputed_in_modes(rooms):
        whose = [quoted(p.name) + ("" if p.room == room else f" of room {quoted(p.room)}") for p in (other, first)]
        words = f"{whose[0]} and {whose[1]} share device {quoted(other.device)} but disagree on {quoted(setting)}"
        name = other.name if other.room == room else first.name
        yield Complaint(*places.place(room, name, setting, mode), f"in mode {quoted(mode)} {words}")


def _told(position: Position, setting: str, places: Places) -> str:
    file, line, column = places.place(position.room, position.name, setting)
    return f"{quoted(position.name)} of room {quoted(position.room)} ({file}:{line}:{column})"
