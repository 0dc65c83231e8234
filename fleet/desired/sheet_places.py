"""Complaints about files that a sheet would make, told at the rows of the sheet that brought them in."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from fleet.desired.nodes import document
from fleet.desired.sheet import Sheet
from fleet.desired.sheet_rows import Line
from fleet.errors import Complaint

_COLUMN_OF: Final = {"house_curve": "curve", "name": "room_name", "devices": "template", "at_m": "x_m"}
"""The column that gave a key of a file, where it has another name."""

Spot = tuple[int, int]


def told_at_rows(
    sheet: Sheet, files: Mapping[str, str], rows: Mapping[str, Sequence[Line]], complaints: Iterable[Complaint]
) -> list[Complaint]:
    """The complaints, those of files that have rows at their row and column. `rows` by the path of the file."""
    spots = {path: _spots(files[path], lines) for path, lines in rows.items()}
    return [_told(sheet, spots[one.file], one) if one.file in spots else one for one in complaints]


def _told(sheet: Sheet, spots: list[tuple[Spot, Line, str]], one: Complaint) -> Complaint:
    found = bisect_right(spots, (one.line, one.column), key=lambda spot: spot[0])
    _, line, key = spots[max(found - 1, 0)]
    column = _COLUMN_OF.get(key, key)
    if column == "device" and "serial" in line.values:
        column = "serial"
    if column not in sheet.columns:
        column = "position" if key else "room"
    return sheet.complaint(line.line, column, f"is not right: {one.text} (in {one.file})")


def _spots(text: str, lines: Sequence[Line]) -> list[tuple[Spot, Line, str]]:
    """Where each part of a room's file begins, the row that it is of, and its key; the first row for what is not."""
    row_of = {line.values["position"]: line for line in lines}
    doc = document(text)
    spots: list[tuple[Spot, Line, str]] = []
    sections = doc.data if isinstance(doc.data, dict) else {}
    for section, entries in sections.items():
        spots.append((doc.key_place((section,)), lines[0], section))
        if section not in ("positions", "devices") or not isinstance(entries, dict):
            continue
        for name, entry in entries.items():
            row = row_of.get(name, lines[0])
            path = (section, name)
            spots.append((doc.key_place(path), row, "position" if section == "positions" else "device"))
            members = entry if isinstance(entry, dict) else {}
            spots += [(doc.key_place((*path, member)), row, member) for member in members]
    return sorted(spots, key=lambda spot: spot[0])
