"""One file's text into a validated file and its problems, remembered by content.

A mistake in one position, group or curve does not hide those of the others: the broken part is taken out, named in
`broken`, and the rest goes on.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final, Generic, TypeAlias, TypeVar

from pydantic import ValidationError

from fleet.desired.files import RoomFile, VenueFile
from fleet.desired.nodes import Data, Document, Problem, Trail, document
from fleet.desired.parts import Part
from fleet.desired.sentences import faults, problem_at
from fleet.desired.templates import on_template
from fleet.desired.written import Place
from fleet.errors import Complaint
from fleet.model.names import shown

F = TypeVar("F", bound=Part)
Broken = frozenset[tuple[str, str]]
Fault: TypeAlias = tuple[Trail, str, bool]

REMEMBERED: Final = 1024
"""Rooms whose unchanged files are not read again."""


@dataclass(frozen=True, slots=True)
class Reading(Generic[F]):
    """A validated file, or as much of it as is sound; `broken` names (section, name) of what is not."""

    file: F | None
    problems: tuple[Problem, ...]
    broken: Broken = frozenset()


@dataclass(frozen=True, slots=True)
class TemplateReading:
    """The same of a room on a template, whose problems may be in either file."""

    file: RoomFile | None
    complaints: tuple[Complaint, ...]
    broken: Broken = frozenset()


@lru_cache(maxsize=REMEMBERED)
def read_room(text: str) -> Reading[RoomFile]:
    """A room file's text, validated."""
    return _read(RoomFile, text)


@lru_cache(maxsize=8)
def read_venue(text: str) -> Reading[VenueFile]:
    """The venue file's text, validated."""
    return _read(VenueFile, text)


def names_in(text: str, section: str) -> frozenset[str]:
    """Names written in a section of a file that may not be sound otherwise."""
    data = document(text).data
    part = data.get(section) if isinstance(data, dict) else None
    return frozenset(part) if isinstance(part, dict) else frozenset()


@lru_cache(maxsize=REMEMBERED)
def read_on_template(file: str, text: str, venue_file: str, venue_text: str) -> TemplateReading:
    """A room file's text over the template that it names, validated."""
    on = on_template(file, text, venue_file, venue_text)
    own = tuple(Complaint(shown(file, 200), each.line, each.column, each.text) for each in document(text).problems)
    if on.written.data is None:
        return TemplateReading(None, (*own, *on.complaints))
    room, found, broken = _validated(RoomFile, on.written.data)
    taken = {_place(complaint) for complaint in (*own, *on.complaints)}
    told: list[Complaint] = []
    for path, sentence, at_key in sorted(found, key=lambda each: each[0][:1] != ("devices",)):
        place = on.written.key_place(path) if at_key else on.written.value_place(path)
        if place not in taken:
            told.append(Complaint(shown(place[0], 200), *place[1:], sentence))
        if path[:1] == ("devices",):
            taken.add(place)  # what is wrong with it there is not told again as the position's
    unbound = {("positions", name) for name in on.unbound}
    return TemplateReading(room, (*own, *on.complaints, *told), broken | unbound)


def _place(complaint: Complaint) -> Place:
    return complaint.file, complaint.line, complaint.column


def _read(kind: type[F], text: str) -> Reading[F]:
    doc = document(text)
    if doc.data is None:
        return Reading(None, doc.problems)
    file, found, broken = _validated(kind, doc.data)
    return Reading(file, (*doc.problems, *_placed(doc, found)), broken)


def _validated(kind: type[F], data: Data) -> tuple[F | None, list[Fault], Broken]:
    """The file, or as much of it as is sound, and everything that is wrong with it."""
    try:
        return kind.model_validate(data), [], frozenset()
    except ValidationError as error:
        found = list(faults(error, kind))
    file, broken = _salvage(kind, data, [path for path, _, _ in found])
    return file, found, broken


def _placed(doc: Document, found: list[Fault]) -> list[Problem]:
    """One problem for a place: what YAML already refused there is not complained of twice."""
    taken = {(problem.line, problem.column) for problem in doc.problems}
    problems = sorted({problem_at(doc, path, sentence, at_key) for path, sentence, at_key in found})
    return [problem for problem in problems if (problem.line, problem.column) not in taken]


def _salvage(kind: type[F], data: Data, paths: list[Trail]) -> tuple[F | None, Broken]:
    if not isinstance(data, dict):
        return None, frozenset()
    sound: dict[str, Data] = dict(data)
    broken: set[tuple[str, str]] = set()
    for path in paths:
        section, name = str(path[0]) if path else "", str(path[1]) if len(path) > 1 else ""
        entries = sound.get(section)
        if (
            name
            and section in ("positions", "groups", "curves", "modes", "templates", "devices", "loudspeaker_types")
            and isinstance(entries, dict)
        ):
            sound[section] = {key: entry for key, entry in entries.items() if key != name}
            broken.add((section, name))
        elif section in sound and section not in kind.model_fields:
            del sound[section]
        else:
            return None, frozenset()
    try:
        return kind.model_validate(sound), frozenset(broken)
    except ValidationError:
        return None, frozenset()
