"""Scalars by the core schema of YAML 1.2.2, section 10.3.2 (https://yaml.org/spec/1.2.2/#1032-tag-resolution)."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.desired.nodes import document
from fleet.desired.scalars import LONGEST_NUMBER, Scalar, core_value

# The table of section 10.3.2 row by row, then what YAML 1.1 read otherwise.
CORE = {
    "": None, "~": None, "null": None, "Null": None, "NULL": None,
    "true": True, "True": True, "TRUE": True, "false": False, "False": False, "FALSE": False,
    "0": 0, "-19": -19, "+12": 12, "0412": 412, "0o7": 7, "0o14": 12, "0x3A": 58,
    "0.": 0.0, "-0.0": -0.0, ".5": 0.5, "+12e03": 12000.0, "-2E+05": -200000.0, "1e3": 1000.0,
    ".inf": math.inf, "-.Inf": -math.inf, "+.INF": math.inf,
}  # fmt: skip
TEXT = ["off", "on", "yes", "no", "y", "n", "tRUE", "nuLL", "1_000", "12:30", "0b1", "-0x3A", "+0o7", "1e", ".", "-", "e3", "1 2", "2026-11-25", "٣"]  # fmt: skip # noqa: E501


@pytest.mark.parametrize(("text", "value"), CORE.items())
def test_core_schema(text, value):
    assert core_value(text) == value
    assert type(core_value(text)) is type(value)


def test_not_a_number():
    assert math.isnan(core_value(".nan"))


@pytest.mark.parametrize("text", TEXT)
def test_what_only_older_yaml_resolves_is_text(text):
    assert core_value(text) == text


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_numbers_come_back(number):
    assert core_value(repr(number)) == number


def test_a_number_too_long_to_be_one_is_text():
    assert core_value("9" * LONGEST_NUMBER) == int("9" * LONGEST_NUMBER)
    assert core_value("9" * 5000) == "9" * 5000


def test_quoted_and_tagged_text_is_not_resolved():
    data = document("a: '1'\nb: \"true\"\nc: |\n  2\nd: !!str 3\ne: !!int 4\nf: 5").data
    assert data == {
        "a": Scalar("1", "1"),
        "b": Scalar("true", "true"),
        "c": Scalar("2\n", "2\n"),
        "d": Scalar("3", "3"),
        "e": Scalar("4", 4),
        "f": Scalar("5", 5),
    }


def test_text_is_nfc():
    """Unicode Standard Annex #15: `e` with a combining acute accent composes to one character."""
    assert document("name: Cafe\u0301").data == {"name": Scalar("Caf\u00e9", "Caf\u00e9")}
