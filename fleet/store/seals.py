"""Seals of changes: what is read back is what was written, or it is told that it is not.

SHA-256 over canonical JSON. A change has one seal for what it began as, with its plan, and one for where it stands. Its
journal is a chain: the first link is the seal of the beginning, each entry's seal covers the one before it, and the
last one is kept beside the change. So an altered, a lost and an added entry show, in the middle and at the end.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from fleet.model import edge

BEGUN = ("id", "plan", "who", "why", "started", "keep_within_s")
STANDING = ("id", "state", "trial_until", "ended", "outcomes", "culprits")
ENTRY = ("change", "number", "at", "what", "device", "detail")

RowOf = Mapping[str, Any]


def seal_of_beginning(change: RowOf) -> str:
    """The seal of what is written once, when a change begins."""
    return _seal("begun", change, BEGUN)


def seal_of_standing(change: RowOf) -> str:
    """The seal of what becomes of a change."""
    return _seal("standing", change, STANDING)


def seal_of_entry(before: str, entry: RowOf) -> str:
    """The seal of a journal entry that follows the one sealed with `before`."""
    return _seal(before, entry, ENTRY)


@dataclass(slots=True)
class Tail:
    """The end of a journal: the number of its last entry and that one's seal, or none and the change's first seal."""

    last_entry: int | None
    seal: str

    def add(self, entry: RowOf) -> RowOf:
        """The entry with its seal; the end moves on. Raises `ValueError` where its number does not rise."""
        number = entry["number"]
        if self.last_entry is not None and number <= self.last_entry:
            raise ValueError(f"entry {number} of change {entry['change']} comes after entry {self.last_entry}")
        self.last_entry, self.seal = number, seal_of_entry(self.seal, entry)
        return {**entry, "seal": self.seal}


def fault_of_change(change: RowOf, begun: str | None, standing: str | None) -> str:
    """What is wrong with a change as it was read, in words; nothing where its seals fit."""
    if begun is None or standing is None:
        return "its seals are missing"
    if seal_of_beginning(change) != begun:
        return "its plan is not what was written"
    if seal_of_standing(change) != standing:
        return "its state is not what was written"
    return ""


def fault_of_journal(entries: Iterable[RowOf], begun: str, last: str) -> str:
    """What is wrong with a journal as it was read, by number, in words; nothing where the chain is whole."""
    before, number = begun, None
    for entry in entries:
        number = entry["number"]
        if seal_of_entry(before, entry) != entry["seal"]:
            return f"its journal is not what was written, at entry {number}"
        before = entry["seal"]
    if before != last:
        return f"its journal ends too early, after entry {number}" if number is not None else "its journal is missing"
    return ""


def _seal(before: str, row: RowOf, names: Iterable[str]) -> str:
    return edge.digest([before, *(_plain(row[name]) for name in names)])


def _plain(value: object) -> object:
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat()
    return float(value) if isinstance(value, int) and not isinstance(value, bool) else value
