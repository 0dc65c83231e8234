"""Cells of a list that a spreadsheet opens: text from files and devices is bounded, and never becomes a formula."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Sequence
from typing import Final, TypeAlias

from fleet.model.names import shown

Cell: TypeAlias = str | float | int | bool | None

LONGEST: Final = 400
_NUMBER: Final = re.compile(r"[+-]?[0-9]+(\.[0-9]+)?([eE][+-]?[0-9]+)?")
_BEGINS_FORMULA: Final = tuple("=+-@\t\r\n＝＋－＠")
"""What spreadsheets take for the beginning of a formula, full-width forms among them (OWASP, CSV Injection)."""


def cell(value: Cell) -> str:
    """A cell's text: empty for `None`; with a leading apostrophe where it would begin a formula and is no number."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.6g}"
    text = str(value)
    safe = shown(text, LONGEST)
    return f"'{safe}" if text.startswith(_BEGINS_FORMULA) and not _NUMBER.fullmatch(text) else safe


def table_text(heads: Sequence[str], rows: Iterable[Sequence[Cell]]) -> str:
    """A list as RFC 4180 has it, behind the byte order mark by which spreadsheets know UTF-8."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(heads)
    writer.writerows([cell(value) for value in row] for row in rows)
    return "\ufeff" + out.getvalue()
