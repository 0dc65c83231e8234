"""YAML with places: lines and columns, aliases, bounds."""

import pytest

from fleet.desired.nodes import MAX_CHARACTERS, MAX_DEPTH, MAX_NODES, document
from fleet.desired.scalars import Scalar

TEXT = """\
a: 1
b:
  - {c: x, d: [2, 3]}
  -   e: 4
"""


@pytest.mark.parametrize(
    ("path", "key", "value"),
    [
        ((), (1, 1), (1, 1)),
        (("a",), (1, 1), (1, 4)),
        (("b",), (2, 1), (3, 3)),
        (("b", 0, "d", 1), (3, 19), (3, 19)),
        (("b", 1, "e"), (4, 7), (4, 10)),
        (("b", 1, "no", "such"), (4, 7), (4, 7)),
    ],
)
def test_places(path, key, value):
    assert document(TEXT).key_place(path) == key
    assert document(TEXT).value_place(path) == value


def test_has():
    assert document(TEXT).has(("b", 0, "c"))
    assert not document(TEXT).has(("b", 2))
    assert not document("").has(("b",))


def test_columns_count_characters_and_not_bytes():
    assert document("é: {ü: x}").value_place(("é", "ü")) == (1, 8)


def test_an_alias_is_the_same_value():
    assert document("a: &x [1]\nb: *x").data == {"a": [Scalar("1", 1)], "b": [Scalar("1", 1)]}


def test_equal_texts_are_read_once():
    assert document("once: 1") is document("".join(["once", ": 1"]))


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("[" * 100_000, "nesting"),
        ("- " * 100_000, "nesting"),
        ("[" * (MAX_DEPTH + 2) + "]" * (MAX_DEPTH + 2), "nested more than"),
        ("[" + "0," * MAX_NODES + "]", "values"),
        ("#" * (MAX_CHARACTERS + 1), "larger than"),
        ("{[1]: 2}", "a key must be plain text"),
        ("? {a: 1}\n: 2", "a key must be plain text"),
        ("\x00\x01\x02", "control character U+0000"),
        ("a: \udcff", "not UTF-8"),
        ("%YAML 9.0\n---\na", "not valid YAML"),
        ("&a &b c", "not valid YAML"),
    ],
)
def test_what_cannot_be_read_is_a_problem(text, complaint):
    problems = document(text).problems
    assert len(problems) == 1
    assert complaint in problems[0].text


def test_the_largest_that_is_read():
    depth = MAX_DEPTH
    assert document("[" * depth + "]" * depth).problems == ()
    assert document("a: 1\n" + "#" * (MAX_CHARACTERS - 5)).problems == ()
