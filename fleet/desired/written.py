"""A room as data, and the file, line and column of each of its parts, which may be in more than one file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple, TypeAlias

from fleet.desired.nodes import Data, Document, Trail

Place: TypeAlias = tuple[str, int, int]
"""File, line and column."""


class Source(NamedTuple):
    """Where a part stands: a file, its document, and the path in it."""

    file: str
    document: Document
    path: Trail


@dataclass(frozen=True, slots=True)
class Written:
    """`sources` tells for some paths of the data where they stand; what is below them stands below there."""

    data: Data | None
    sources: Mapping[Trail, Source]

    def has(self, path: Trail) -> bool:
        """True where something is written at `path`."""
        part = self.data
        for step in path:
            if isinstance(part, dict) and step in part:
                part = part[str(step)]
            elif isinstance(part, list) and isinstance(step, int) and step < len(part):
                part = part[step]
            else:
                return False
        return True

    def key_place(self, path: Trail) -> Place:
        """Where the key (or list item) at `path` begins; the nearest part above it where there is none."""
        source = self._source(path)
        return source.file, *source.document.key_place(source.path)

    def value_place(self, path: Trail) -> Place:
        """Where the value at `path` begins; the nearest part above it where there is none."""
        source = self._source(path)
        return source.file, *source.document.value_place(source.path)

    def _source(self, path: Trail) -> Source:
        """The source of the nearest part above, continued down to `path`."""
        known = next(path[:end] for end in range(len(path), -1, -1) if path[:end] in self.sources)
        source = self.sources[known]
        return source._replace(path=(*source.path, *path[len(known) :]))


def alone(file: str, document: Document) -> Written:
    """A room that one file says wholly."""
    return Written(document.data, {(): Source(file, document, ())})
