"""The venue folder into one version of the desired state, or all complaints at once as file:line:column."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from typing import Final

from fleet.desired.curves import curve_of
from fleet.desired.files import RoomFile
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


def load(files: Mapping[str, str]) -> Version:
    """The version that files (relative path -> text) make. Raises `BadFiles` with all complaints, sorted by place."""
    texts = dict(sorted(files.items()))
    complaints = list(_misplaced(texts))
    venue_text = texts.get(VENUE_FILE, "")
    venue = read_venue(venue_text)
    if VENUE_FILE in texts:
        complaints += _at(VENUE_FILE, venue.problems)
    told = {(each.file, each.line, each.column) for each in complaints}  # a template's mistakes, once for all rooms
    shared = Shared(
        curves={
            **dict.fromkeys(names_in(venue_text, "curves")),
            **({name: curve_of(part) for name, part in venue.file.curves.items()} if venue.file else {}),
        },
        tolerances=venue.file.tolerances if venue.file else None,
        loudspeaker_types={
            **dict.fromkeys(names_in(venue_text, "loudspeaker_types")),
            **({n: type_of(n, part) for n, part in venue.file.loudspeaker_types.items()} if venue.file else {}),
        },
    )
    rooms: dict[str, Room] = {}
    file_of: dict[str, str] = {}
    broken_modes: set[tuple[str, str]] = set()
    all_known = True
    for path, text in texts.items():
        if not _ROOM_FILE.fullmatch(path):
            continue
        file, broken, found = _room(path, text, venue_text)
        complaints += [each for each in found if (each.file, each.line, each.column) not in told]
        if file is None:
            all_known = False
            continue
        room, troubles = resolve_room(file, broken, shared)
        complaints += _placed(path, texts, troubles)
        if room.name in rooms:
            trouble = Trouble(("room",), f"room {quoted(room.name)} is already in {file_of[room.name]}; rename one")
            complaints += _placed(path, texts, [trouble])
            continue
        rooms[room.name], file_of[room.name] = room, path
        broken_modes |= {(room.name, name) for section, name in broken if section == "modes"}
    rooms, apart = join(rooms, broken_modes, all_known=all_known)
    complaints += [each for r, at, text in apart for each in _placed(file_of[r], texts, [Trouble(at, text)])]
    places = Places(files=texts, file_of=file_of, venue_file=VENUE_FILE)
    for one in disagreements(rooms):
        trouble = Trouble(("contacts", one.number, "topic"), one.text)
        complaints += _placed(file_of[one.room], texts, [trouble])
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
