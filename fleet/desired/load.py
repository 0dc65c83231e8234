"""The venue folder into one version of the desired state, or all complaints at once as file:line:column."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Final

from fleet.desired.curves import curve_of
from fleet.desired.folder import VENUE_FILE
from fleet.desired.nodes import Problem, Trail, document
from fleet.desired.places import Places
from fleet.desired.reading import names_in, read_room, read_venue
from fleet.desired.resolve import Shared, Trouble, resolve_room
from fleet.desired.sharing import device_disputed, output_shared
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
    shared = Shared(
        curves={
            **dict.fromkeys(names_in(venue_text, "curves")),
            **({name: curve_of(part) for name, part in venue.file.curves.items()} if venue.file else {}),
        },
        tolerances=venue.file.tolerances if venue.file else None,
    )
    rooms: dict[str, Room] = {}
    file_of: dict[str, str] = {}
    for path, text in texts.items():
        if not _ROOM_FILE.fullmatch(path):
            continue
        reading = read_room(text)
        complaints += _at(path, reading.problems)
        if reading.file is None:
            continue
        room, troubles = resolve_room(reading.file, reading.broken, shared)
        complaints += _placed(path, text, troubles)
        if room.name in rooms:
            trouble = Trouble(("room",), f"room {quoted(room.name)} is already in {file_of[room.name]}; rename one")
            complaints += _placed(path, text, [trouble])
            continue
        rooms[room.name], file_of[room.name] = room, path
    places = Places(files=texts, file_of=file_of, venue_file=VENUE_FILE)
    complaints += _shared_devices([p for room in rooms.values() for p in room.positions.values()], places)
    if complaints or venue.file is None:
        raise BadFiles(tuple(sorted(set(complaints))))
    return Version(
        venue=Venue(name=venue.file.name, time_zone=venue.file.time_zone, rooms=rooms),
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


def _placed(path: str, text: str, troubles: list[Trouble]) -> list[Complaint]:
    if not troubles:
        return []
    doc = document(text)
    return [
        Complaint(shown(path, 200), *(doc.key_place(t.path) if _is_name(t.path) else doc.value_place(t.path)), t.text)
        for t in troubles
    ]


def _is_name(path: Trail) -> bool:
    return len(path) == 2 and path[0] in ("positions", "groups")


def _shared_devices(positions: list[Position], places: Places) -> Iterator[Complaint]:
    for first, other in output_shared(positions):
        what = f"output {other.output} of {quoted(other.device)} already serves {_told(first, 'device', places)}"
        yield Complaint(*places.place(other.room, other.name, "device"), f"{what}; an output serves one position")
    for first, other, setting in device_disputed(positions):
        what = f"{quoted(other.name)} and {_told(first, setting, places)} share device {quoted(other.device)}"
        yield Complaint(*places.place(other.room, other.name), f"{what} but disagree on {quoted(setting)}")


def _told(position: Position, setting: str, places: Places) -> str:
    file, line, column = places.place(position.room, position.name, setting)
    return f"{quoted(position.name)} of room {quoted(position.room)} ({file}:{line}:{column})"
