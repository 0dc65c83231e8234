"""Rows of a sheet into room files: rooms that are new are written, those that are there are extended in place.

A cell that is empty leaves what the file says. Nothing is taken unless the whole venue is right with it: complaints of
the loader and errors of the design check are told at the rows that bring them in.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, TypeAlias

from fleet.desired.check import check
from fleet.desired.editing import RoomText
from fleet.desired.finding import Finding
from fleet.desired.folder import VENUE_FILE
from fleet.desired.load import load
from fleet.desired.meaning import at
from fleet.desired.nodes import document
from fleet.desired.notation import Plain, block
from fleet.desired.reading import read_venue
from fleet.desired.scalars import Scalar
from fleet.desired.sheet import Sheet, read_sheet
from fleet.desired.sheet_columns import COLUMNS, REFERENCES, Value
from fleet.desired.sheet_places import told_at_rows
from fleet.desired.sheet_rows import POINT, Line, Serials, by_room, read_rows
from fleet.desired.version import Version
from fleet.desired.wording import hint, quoted
from fleet.errors import BadFiles, BadInput, Complaint, FleetError, Mistakes

Members: TypeAlias = dict[str, Plain]
SPREAD: Final = ("devices", "groups", "positions")


class BadSheet(Mistakes):
    """A sheet has mistakes; what several rows bring in is told once."""

    def __init__(self, complaints: Iterable[Complaint], file: str) -> None:
        super().__init__(set(complaints), f"{file}; nothing is written")


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """What a sheet makes of a venue: texts that are not as they were, by path; positions it names, by room."""

    files: Mapping[str, str]
    new_rooms: tuple[str, ...]
    rooms: Mapping[str, tuple[str, ...]]


def imported(file: str, data: bytes, files: Mapping[str, str], serials: Serials | None) -> Imported:
    """The venue's files with the rows of a sheet. Raises `BadSheet` with every mistake, `BadFiles` for the folder's.

    `serials` are those of an inventory; `None` where there is none.
    """
    before = load(files)
    sheet, complaints = read_sheet(file, data, COLUMNS)
    if not sheet.columns:
        raise BadSheet(complaints, sheet.file)
    venue = read_venue(before.files[VENUE_FILE]).file
    assert venue is not None, "it is in the version"
    importing = _Importing(sheet, before, {name: tuple(part.positions) for name, part in venue.templates.items()})
    lines, wrong = read_rows(sheet, serials, importing.bound)
    complaints += [*wrong, *importing.unknown_templates(lines), *importing.serving(lines)]
    if not sheet.rows:
        complaints.append(Complaint(sheet.file, 1, 1, "there are no rows below the header"))
    if complaints:
        raise BadSheet(complaints, sheet.file)
    return importing.take(lines)


@dataclass(frozen=True, slots=True)
class _Importing:
    sheet: Sheet
    before: Version
    templates: Mapping[str, Collection[str]]
    """Positions of each template of the venue."""

    def bound(self, room: str, position: str) -> bool:
        """Whether a position has a device already."""
        there = self.before.venue.rooms.get(room)
        return there is not None and position in there.positions

    def unknown_templates(self, lines: Sequence[Line]) -> list[Complaint]:
        """Templates that the venue does not have."""
        return [
            self.sheet.complaint(line.line, "template", f"is unknown: {quoted(name)}{hint(name, self.templates)}")
            for line in lines
            if (name := line.values.get("template")) is not None and name not in self.templates
        ]

    def serving(self, lines: Sequence[Line]) -> list[Complaint]:
        """Outputs that serve a position already which is not in the sheet. Those of templates are for the loader."""
        places = {line.place for line in lines}
        serves = {(p.device, p.output): p for p in self.before.venue.positions() if (p.room, p.name) not in places}
        complaints = []
        for line in lines:
            device, output = line.values.get("device", ""), line.values.get("output", 1)
            other = serves.get((device, output))
            if other is not None and "template" not in line.values:
                place = f"{quoted(other.name)} of room {quoted(other.room)}"
                column = "serial" if "serial" in line.values else "device"
                complaints.append(
                    self.sheet.complaint(
                        line.line, column, f"is not free: output {output} of {quoted(device)} serves {place}"
                    )
                )
        return complaints

    def take(self, lines: Sequence[Line]) -> Imported:
        """The files with these rows. Raises `BadSheet`."""
        rooms = list(by_room(lines))
        path_of = {room: self.before.places.file_of.get(room, f"rooms/{room}.yaml") for room, _, _ in rooms}
        texts: dict[str, str] = {}
        complaints = []
        for room, rows, whole in rooms:
            try:
                texts[path_of[room]] = self._text(room, path_of[room], rows, whole)
            except FleetError as error:
                complaints.append(self.sheet.complaint(rows[0].line, "room", f"cannot be written: {error}"))
        after = {**self.before.files, **texts}
        complaints = complaints or told_at_rows(
            self.sheet, after, {path_of[room]: rows for room, rows, _ in rooms}, mistakes_of(after, self.before)
        )
        if complaints:
            raise BadSheet(complaints, self.sheet.file)
        return Imported(
            files={path: text for path, text in texts.items() if self.before.files.get(path) != text},
            new_rooms=tuple(room for room, _, _ in rooms if room not in self.before.venue.rooms),
            rooms={room: tuple(row.values["position"] for row in rows) for room, rows, _ in rooms},
        )

    def _text(self, room: str, path: str, rows: Sequence[Line], whole: Mapping[str, Value]) -> str:
        if room in self.before.venue.rooms:
            return self._extended(RoomText(self.before.files[path], path), rows, whole)
        if path in self.before.files:
            raise BadInput(f"{path} is the file of another room")
        return self._new(room, rows, whole)

    def _new(self, room: str, rows: Sequence[Line], whole: Mapping[str, Value]) -> str:
        places = self.templates.get(str(whole.get("template")), ())
        devices: Members = {}
        positions: Members = {}
        for row in rows:
            name, members = row.values["position"], members_of(row)
            if name in places:
                devices[name] = _taken(members)
            if members or name not in places:
                positions[name] = members
        groups = dict.fromkeys(group for row in rows for group in row.values.get("groups", ()))
        data: Members = {
            "format": 1,
            "room": room,
            "name": str(whole.get("room_name", "")),
            "template": str(whole.get("template", "")),
            "devices": devices,
            "house_curve": _house_curve(whole),
            "groups": {group: {} for group in groups} if not places else {},
            "positions": positions,
        }
        return block({key: value for key, value in data.items() if value}, spread=SPREAD)

    def _extended(self, text: RoomText, rows: Sequence[Line], whole: Mapping[str, Value]) -> str:
        for key, column in (("name", "room_name"), ("template", "template")):
            if column in whole:
                text = text.set((key,), str(whole[column]))
        if house := _house_curve(whole):
            text = text.put_house_curve(house)
        written = document(text.text)
        stands_on = at(written.data, ("template",)) if written.data is not None else None
        places = self.templates.get(stands_on.text, ()) if isinstance(stands_on, Scalar) else ()
        edits: dict[str, Members] = {}
        for row in rows:
            name, members = row.values["position"], members_of(row)
            if name in places and "device" in members and not written.has(("positions", name, "device")):
                text = text.set(("devices", name), _taken(members))
            edits[name] = members
        for name in [name for name in edits if not document(text.text).has(("positions", name))]:
            members = edits.pop(name)
            if members:
                text = text.set(("positions", name), members)
        return text.put_each(edits).text


def members_of(row: Line) -> Members:
    """What a row gives to its position, as the file writes it."""
    values = row.values
    members: Members = {name: values[name] for name in ("device", "output") if name in values}
    if POINT[0] in values:
        members["at_m"] = [values[name] for name in POINT]
    if "groups" in values:
        members["groups"] = list(values["groups"])
    members.update({name: values[name] for name in ("level_db", "delay_ms", *REFERENCES) if name in values})
    return members


def mistakes_of(after: Mapping[str, str], before: Version) -> list[Complaint]:
    """What is wrong with files: mistakes, or else errors of the design check that were not there before."""
    try:
        version = load(after)
    except BadFiles as error:
        return list(error.complaints)
    known = {(finding.name, finding.complaint.file, finding.complaint.text) for finding in _errors(before)}
    return [
        finding.complaint
        for finding in _errors(version)
        if (finding.name, finding.complaint.file, finding.complaint.text) not in known
    ]


def _errors(version: Version) -> list[Finding]:
    """Errors of the check that need no device to be known."""
    return [
        finding for finding in check(version, {}, lambda _position, _about: ()).findings if finding.severity == "error"
    ]


def _taken(members: Members) -> Plain:
    """Device and output of a position, taken out of its members."""
    device, output = members.pop("device", None), members.pop("output", None)
    return device if output is None else {"device": device, "output": output}


def _house_curve(whole: Mapping[str, Value]) -> Members:
    named: Members = {"curve": str(whole["curve"])} if "curve" in whole else {}
    return {**named, "slot": int(str(whole["slot"]))} if "slot" in whole else named
