"""Rows of a sheet as values, with every complaint: cells that cannot be read, what is missing, what is there twice."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from fleet.desired.sheet import Row, Sheet
from fleet.desired.sheet_columns import (
    COLUMNS,
    OF_THE_ROOM,
    Value,
    WrongCellError,
    decimal_comma,
)
from fleet.desired.wording import nearest, quoted
from fleet.errors import Complaint
from fleet.model.listing import listed

POINT: Final = ("x_m", "y_m", "z_m")
Serials = Mapping[str, tuple[str, ...]]
"""Ids of devices by the serial that they report."""


@dataclass(slots=True)
class Line:
    """A row as values: those cells that could be read. `number` counts rows from 0.

    `told` are the columns that were complained of.
    """

    number: int
    line: int
    values: dict[str, Any]
    told: set[str] = field(default_factory=set)

    @property
    def place(self) -> tuple[str, str] | None:
        """Room and position, where both are given."""
        room, position = self.values.get("room"), self.values.get("position")
        return (room, position) if room and position else None


def read_rows(
    sheet: Sheet, serials: Serials | None, bound: Callable[[str, str], bool]
) -> tuple[list[Line], list[Complaint]]:
    """The rows, and what is wrong with them. `bound` tells whether a position of a room has a device already."""
    numbers = [name for name in sheet.columns if COLUMNS[name].number]
    commas = any(decimal_comma(row.cells.get(name, "")) for row in sheet.rows for name in numbers)
    reader = _Rows(sheet, serials, commas)
    lines = [reader.values(number, row) for number, row in enumerate(sheet.rows)]
    reader.devices(lines, bound)
    reader.missing(lines)
    reader.twice(lines)
    reader.disagreeing(lines)
    return lines, reader.complaints


@dataclass(slots=True)
class _Rows:
    sheet: Sheet
    serials: Serials | None
    commas: bool
    complaints: list[Complaint] = field(default_factory=list)

    def complain(self, line: Line, column: str, text: str) -> None:
        line.told.add(column)
        self.complaints.append(self.sheet.complaint(line.line, column, text))

    def values(self, number: int, row: Row) -> Line:
        line = Line(number, row.line, {})
        for name, text in row.cells.items():
            column = COLUMNS[name]
            try:
                line.values[name] = column.value(text, commas=self.commas)
            except WrongCellError as error:
                self.complain(line, name, str(error))
        given = [name for name in POINT if name in row.cells]
        if 0 < len(given) < len(POINT):
            lacking = [quoted(name) for name in POINT if name not in given]
            self.complain(line, given[0], f"is not a place by itself: give {listed(lacking)} too")
        return line

    def devices(self, lines: Sequence[Line], bound: Callable[[str, str], bool]) -> None:
        """Put the device to its serial."""
        for line in lines:
            serial, device = line.values.get("serial"), line.values.get("device")
            if serial and self.serials is not None:
                self._find(line, serial, device)
            elif serial and device is None:
                what = (
                    "needs an inventory to find its device: give `--inventory FILE`, start the daemon, or give the id"
                )
                self.complain(line, "serial", what)
            elif not device and line.place and not bound(*line.place) and not line.told & {"device", "serial"}:
                self.complain(line, "device", self._empty(lines, line, "device") + "; or give its `serial`")

    def _find(self, line: Line, serial: str, device: str | None) -> None:
        assert self.serials is not None
        found = self.serials.get(serial, ())
        if device is None and len(found) == 1:
            line.values["device"] = found[0]
        elif not found:
            self.complain(
                line, "serial", f"is of no device of the inventory: {quoted(serial)}{nearest(serial, self.serials)}"
            )
        elif device is None:
            self.complain(line, "serial", f"is claimed by {listed([quoted(each) for each in found])}; give the id")
        elif device not in found:
            what = f"is that of {listed([quoted(each) for each in found])}, and not of {quoted(device)}"
            self.complain(line, "serial", what)

    def missing(self, lines: Sequence[Line]) -> None:
        for line in lines:
            for column in ("room", "position"):
                if column not in line.values and column not in line.told:
                    self.complain(line, column, self._empty(lines, line, column))

    def _empty(self, lines: Sequence[Line], line: Line, column: str) -> str:
        above = next((lines[n] for n in range(line.number - 1, -1, -1) if column in lines[n].values), None)
        if column not in self.sheet.columns or above is None:
            return "is missing"
        told = quoted(str(above.values[column]))
        return f"is empty below {told} of line {above.line}: merged cells export so; fill it in every row"

    def twice(self, lines: Sequence[Line]) -> None:
        """Refuse what only one row can have."""
        templated = {line.values.get("room") for line in lines if "template" in line.values}
        for column, key in (
            ("position", lambda line: line.place),
            ("serial", lambda line: (line.values.get("serial"), line.values.get("output"))),
            ("device", lambda line: (line.values.get("device"), line.values.get("output", 1))),
        ):
            first: dict[object, Line] = {}
            for line in lines:
                if column not in line.values or (column != "position" and line.values.get("room") in templated):
                    continue
                if (what := key(line)) is None:
                    continue
                other = first.setdefault(what, line)
                if other is not line and not (column == "device" and "serial" in line.told):
                    self._again(line, other, column)

    def _again(self, line: Line, other: Line, column: str) -> None:
        output = f", output {line.values.get('output', 1)}," if column != "position" else ""
        what = quoted(str(line.values[column]))
        self.complain(line, column, f"{what}{output} is in line {other.line} already")

    def disagreeing(self, lines: Sequence[Line]) -> None:
        for column in OF_THE_ROOM:
            first: dict[str, Line] = {}
            for line in lines:
                room, value = line.values.get("room"), line.values.get(column)
                if room is None or value is None:
                    continue
                other = first.setdefault(room, line)
                if other.values[column] != value:
                    what = f"is of the whole room: {quoted(str(value))} here, {quoted(str(other.values[column]))}"
                    self.complain(line, column, f"{what} in line {other.line}")


def by_room(lines: Sequence[Line]) -> Iterator[tuple[str, list[Line], Mapping[str, Value]]]:
    """Each room with its rows, and what they say of the whole room."""
    rooms: dict[str, list[Line]] = {}
    for line in lines:
        rooms.setdefault(line.values["room"], []).append(line)
    for room, rows in rooms.items():
        yield room, rows, {name: row.values[name] for name in OF_THE_ROOM for row in rows if name in row.values}
