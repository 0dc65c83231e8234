"""The lists of a hand-over, kept as files (`FLEET_GOLDEN=write` writes them anew), and cells that stay text."""

from __future__ import annotations

import csv
import io
import os
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.faces.handover.cells import Cell, cell, table_text
from fleet.faces.handover.lists import lists
from tests.faces.handover_venue import handing_over

GOLDEN = Path(__file__).parent / "golden" / "handover"
PLAIN_NUMBER = re.compile(r"[+-]?[0-9]+(\.[0-9]+)?([eE][+-]?[0-9]+)?")


async def test_the_lists_of_a_venue(tmp_path: Path) -> None:
    async with handing_over(tmp_path) as services:
        found = lists(await services.handing_over.gather(None, "ines"))
    if os.environ.get("FLEET_GOLDEN") == "write":
        for name, text in found.items():
            (GOLDEN / name).write_bytes(text.encode())
    assert sorted(found) == sorted(path.name for path in GOLDEN.iterdir())
    for name, text in found.items():
        assert text.encode() == (GOLDEN / name).read_bytes(), name


@pytest.mark.parametrize(
    ("value", "text"),
    [
        ("=1+1", "'=1+1"),
        ("+cmd|' /C calc'!A0", "'+cmd|' /C calc'!A0"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("-6 dB", "'-6 dB"),
        ("-6", "-6"),
        ("+4.5", "+4.5"),
        ("-1e3", "-1e3"),
        ("\t=1", "'?=1"),
        ("\r=1", "'?=1"),
        ("＝1", "'＝1"),
        ("main-left", "main-left"),
        ("a\u202eb", "a?b"),
        ("x" * 10_000, "x" * 399 + "…"),
        (-6.0, "-6"),
        (0.0919297, "0.0919297"),
        (True, "yes"),
        (None, ""),
        (7, "7"),
    ],
)
def test_a_cell_never_begins_a_formula(value: Cell, text: str) -> None:
    assert cell(value) == text


@given(st.lists(st.lists(st.text(), min_size=2, max_size=2), max_size=5))
def test_whatever_is_in_a_list_comes_back_in_its_cell(rows: list[list[str]]) -> None:
    text = table_text(("a", "b"), rows)
    back = list(csv.reader(io.StringIO(text.removeprefix("\ufeff"), newline="")))
    assert [len(row) for row in back] == [2] * (len(rows) + 1)
    for row in back:
        for one in row:
            assert len(one) <= 401
            assert not one.startswith(("=", "@", "\t", "\r"))
            assert not one.startswith(("+", "-")) or PLAIN_NUMBER.fullmatch(one)
