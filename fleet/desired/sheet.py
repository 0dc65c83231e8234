"""A spreadsheet saved as CSV, read into rows that remember their lines; everything that is wrong with its form is told.

Taken are UTF-8 with or without a byte order mark, commas, semicolons or tabs between cells, any kind of line end.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from fleet.desired.wording import hint, quoted
from fleet.errors import Complaint
from fleet.model.names import shown

MOST_BYTES: Final = 5_000_000
MOST_ROWS: Final = 20_000
SEPARATORS: Final = (",", ";", "\t")
_UTF_16: Final = (b"\xff\xfe", b"\xfe\xff")
_SAVE: Final = "save the sheet as CSV in UTF-8"


@dataclass(frozen=True, slots=True)
class Row:
    """A row's line in the file, counted from 1, and its cells that are not empty, by column."""

    line: int
    cells: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Sheet:
    """The rows of a sheet below its header. `columns` are the numbers of its columns by name, counted from 1."""

    file: str
    columns: Mapping[str, int]
    rows: tuple[Row, ...]

    def complaint(self, line: int, column: str, text: str) -> Complaint:
        """A complaint about a cell, told the way spreadsheets name it too; text begins with the verb."""
        number = self.columns.get(column, 1)
        cell = f" ({letters(number)}{line})" if column in self.columns else ""
        return Complaint(self.file, line, number, f"{quoted(column)}{cell} {text}")


def read_sheet(file: str, data: bytes, known: Collection[str]) -> tuple[Sheet, list[Complaint]]:
    """The rows of a CSV file with known columns, as far as they can be read, and every mistake of its form."""
    name = shown(file, 200)
    empty = Sheet(name, {}, ())
    if complaints := list(_unreadable(name, data)):
        return empty, complaints
    text = data.decode("utf-8-sig")
    lines: list[tuple[int, list[str]]] = []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=_separator(text), strict=True)
    begun = 1
    try:
        for cells in reader:
            if len(lines) > MOST_ROWS:
                return empty, [Complaint(name, begun, 1, f"more than {MOST_ROWS} rows; split the sheet")]
            if any(cell.strip() for cell in cells):
                lines.append((begun, cells))
            begun = reader.line_num + 1
    except csv.Error as error:
        return empty, [Complaint(name, begun, 1, f"this row cannot be read as CSV: {error}; {_SAVE}")]
    if not lines:
        return empty, [Complaint(name, 1, 1, "the sheet is empty; the first row names the columns")]
    columns, complaints = _header(name, lines[0], known)
    sheet = Sheet(name, columns, tuple(Row(line, _named(cells, columns)) for line, cells in lines[1:]))
    return sheet, complaints + list(_misshapen(sheet, lines))


def letters(number: int) -> str:
    """A column's letters as spreadsheets count: A, B, … Z, AA."""
    text = ""
    while number:
        number, rest = divmod(number - 1, 26)
        text = chr(ord("A") + rest) + text
    return text


def _unreadable(file: str, data: bytes) -> Iterator[Complaint]:
    if len(data) > MOST_BYTES:
        yield Complaint(file, 1, 1, f"the file is larger than {MOST_BYTES} bytes; split the sheet")
        return
    if data.startswith(_UTF_16):
        yield Complaint(file, 1, 1, f"this is UTF-16, not UTF-8; {_SAVE}")
        return
    for number, line in enumerate(data.splitlines(), 1):
        try:
            line.decode("utf-8")
        except UnicodeDecodeError as error:
            what = f"byte 0x{line[error.start]:02x} is not UTF-8 (Latin-1, perhaps); {_SAVE}"
            yield Complaint(file, number, error.start + 1, what)


def _separator(text: str) -> str:
    """What stands most often in the first line that is not empty."""
    first = next((line for line in text.splitlines() if line.strip()), "")
    return max(SEPARATORS, key=first.count)


def _header(file: str, header: tuple[int, list[str]], known: Collection[str]) -> tuple[dict[str, int], list[Complaint]]:
    line, cells = header
    columns: dict[str, int] = {}
    complaints = []
    for number, cell in enumerate(cells, 1):
        name = cell.strip().lower()
        if not name:
            continue
        if name in columns:
            complaints.append(Complaint(file, line, number, f"column {quoted(name)} is there twice"))
        elif name not in known:
            complaints.append(Complaint(file, line, number, f"unknown column {quoted(name)}{hint(name, known)}"))
        else:
            columns[name] = number
    return columns, complaints


def _named(cells: list[str], columns: Mapping[str, int]) -> dict[str, str]:
    texts = ((name, cells[number - 1].strip()) for name, number in columns.items() if number <= len(cells))
    return {name: text for name, text in texts if text}


def _misshapen(sheet: Sheet, lines: list[tuple[int, list[str]]]) -> Iterator[Complaint]:
    """Cells under no column, and cells that hold what no cell should."""
    header = lines[0][1]
    for line, cells in lines[1:]:
        for number, cell in enumerate(cells, 1):
            if cell.strip() and (number > len(header) or not header[number - 1].strip()):
                yield Complaint(sheet.file, line, number, f"{quoted(cell)} stands in a column without a name")
            elif not cell.strip("\t ").isprintable():
                what = f"{letters(number)}{line} holds a line feed or a control character; write it in one line"
                yield Complaint(sheet.file, line, number, what)
