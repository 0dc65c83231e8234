"""One file's text into a validated file and its problems, remembered by content.

A mistake in one position, group or curve does not hide those of the others: the broken part is taken out, named in
`broken`, and the rest goes on.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final, Generic, TypeVar

from pydantic import ValidationError

from fleet.desired.files import RoomFile, VenueFile
from fleet.desired.nodes import Data, Document, Problem, Trail, document
from fleet.desired.parts import Part
from fleet.desired.sentences import faults, problem_at

F = TypeVar("F", bound=Part)
Broken = frozenset[tuple[str, str]]

REMEMBERED: Final = 1024
"""Rooms whose unchanged files are not read again."""


@dataclass(frozen=True, slots=True)
class Reading(Generic[F]):
    """A validated file, or as much of it as is sound; `broken` names (section, name) of what is not."""

    file: F | None
    problems: tuple[Problem, ...]
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


def _read(kind: type[F], text: str) -> Reading[F]:
    doc = document(text)
    if doc.data is None:
        return Reading(None, doc.problems)
    try:
        return Reading(kind.model_validate(doc.data), doc.problems)
    except ValidationError as error:
        found = list(faults(error, kind))
    paths = [path for path, _, _ in found]
    file, broken = _salvage(kind, doc.data, paths)
    return Reading(file, (*doc.problems, *_placed(doc, found)), broken)


def _placed(doc: Document, found: list[tuple[Trail, str, bool]]) -> list[Problem]:
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
        if name and section in ("positions", "groups", "curves") and isinstance(entries, dict):
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
