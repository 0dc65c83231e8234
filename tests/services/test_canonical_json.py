"""Canonical JSON against what RFC 8785 publishes, and a canonicaliser written here once more from its text."""

from __future__ import annotations

import json
import math
import struct
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.model.canonical import LARGEST_INTEGER, canonical, parsed
from tests.faces.sealed_files import document

# RFC 8785, appendix B: IEEE 754 bits and the number's text.
NUMBERS = [
    ("0000000000000000", "0"),
    ("8000000000000000", "0"),
    ("0000000000000001", "5e-324"),
    ("8000000000000001", "-5e-324"),
    ("7fefffffffffffff", "1.7976931348623157e+308"),
    ("ffefffffffffffff", "-1.7976931348623157e+308"),
    ("4340000000000000", "9007199254740992"),
    ("c340000000000000", "-9007199254740992"),
    ("4430000000000000", "295147905179352830000"),
    ("44b52d02c7e14af5", "9.999999999999997e+22"),
    ("44b52d02c7e14af6", "1e+23"),
    ("44b52d02c7e14af7", "1.0000000000000001e+23"),
    ("444b1ae4d6e2ef4e", "999999999999999700000"),
    ("444b1ae4d6e2ef4f", "999999999999999900000"),
    ("444b1ae4d6e2ef50", "1e+21"),
    ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"),
    ("3eb0c6f7a0b5ed8d", "0.000001"),
    ("41b3de4355555553", "333333333.3333332"),
    ("41b3de4355555554", "333333333.33333325"),
    ("41b3de4355555555", "333333333.3333333"),
    ("41b3de4355555556", "333333333.3333334"),
    ("41b3de4355555557", "333333333.33333343"),
    ("becbf647612f3696", "-0.0000033333333333333333"),
    ("43143ff3c1cb0959", "1424953923781206.2"),
]


@pytest.mark.parametrize(("bits", "text"), NUMBERS)
def test_numbers_as_appendix_b_has_them(bits: str, text: str) -> None:
    (value,) = struct.unpack(">d", bytes.fromhex(bits))
    assert canonical(value) == text.encode()


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_refused(value: float) -> None:
    """RFC 8785, appendix B: NaN and Infinity are not permitted."""
    with pytest.raises(ValueError, match=r"."):
        canonical({"x": value})


def test_the_sample_of_section_3_2_2() -> None:
    sample = (
        '{"numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],'
        ' "string": "\\u20ac$\\u000F\\u000aA\'\\u0042\\u0022\\u005c\\\\\\"\\/", "literals": [null, true, false]}'
    )
    # RFC 8785, section 3.2.4: the same as UTF-8, in hex.
    wanted = bytes.fromhex(
        "7b 22 6c 69 74 65 72 61 6c 73 22 3a 5b 6e 75 6c 6c 2c 74 72 75 65 2c 66 61 6c 73 65 5d 2c 22 6e 75 6d 62 65 72"
        "73 22 3a 5b 33 33 33 33 33 33 33 33 33 2e 33 33 33 33 33 33 33 2c 31 65 2b 33 30 2c 34 2e 35 2c 30 2e 30 30 32"
        "2c 31 65 2d 32 37 5d 2c 22 73 74 72 69 6e 67 22 3a 22 e2 82 ac 24 5c 75 30 30 30 66 5c 6e 41 27 42 5c 22 5c 5c"
        "5c 5c 5c 22 2f 22 7d"
    )
    assert canonical(parsed(sample.encode())) == wanted


def test_members_are_sorted_by_utf_16_as_section_3_2_3_has_it() -> None:
    names = ["\u20ac", "\r", "\ufb33", "1", "\U0001f600", "\u0080", "\u00f6"]
    wanted = ["\r", "1", "\u0080", "\u00f6", "\u20ac", "\U0001f600", "\ufb33"]
    assert list(json.loads(canonical(dict.fromkeys(names)))) == wanted


def by_hand(value: Any) -> str:
    """RFC 8785, section 3.2, written down once more; numbers by Python's shortest digits in ECMAScript's form."""
    if isinstance(value, dict):
        members = sorted(value.items(), key=lambda item: item[0].encode("utf-16-be"))
        return "{" + ",".join(f"{by_hand(name)}:{by_hand(one)}" for name, one in members) + "}"
    if isinstance(value, list | tuple):
        return "[" + ",".join(map(by_hand, value)) + "]"
    if isinstance(value, float):
        return ecmascript(value)
    return json.dumps(value, ensure_ascii=False)


def ecmascript(value: float) -> str:
    """Number::toString of ECMA-262, section 6.1.6.1.20."""
    if value == 0:
        return "0"
    sign, mantissa = ("-", repr(-value)) if value < 0 else ("", repr(value))
    digits, _, exponent = mantissa.partition("e")
    whole, _, fraction = digits.partition(".")
    fraction = "" if fraction == "0" else fraction
    point = len(whole) + int(exponent or 0)
    both = whole + fraction
    point -= len(both) - len(both.lstrip("0"))
    both = both.lstrip("0").rstrip("0")
    count = len(both)
    if count <= point <= 21:
        text = both + "0" * (point - count)
    elif 0 < point <= 21:
        text = f"{both[:point]}.{both[point:]}"
    elif -6 < point <= 0:
        text = f"0.{'0' * -point}{both}"
    else:
        power = f"e{'+' if point > 0 else '-'}{abs(point - 1)}"
        text = (both if count == 1 else f"{both[0]}.{both[1:]}") + power
    return sign + text


TEXT = st.text(st.characters(exclude_categories=["Cs"]))
VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-LARGEST_INTEGER, LARGEST_INTEGER)
    | st.floats(allow_nan=False, allow_infinity=False)
    | TEXT,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(TEXT, inner, max_size=4),
)


@given(VALUES)
def test_two_canonicalisers_agree(value: Any) -> None:
    assert canonical(value) == by_hand(value).encode()


def test_they_agree_on_a_snapshot() -> None:
    assert canonical(document()) == by_hand(document()).encode()


@given(VALUES)
def test_what_was_read_again_has_the_same_text(value: Any) -> None:
    text = canonical(value)
    assert canonical(parsed(text)) == text


def test_integers_that_are_too_large_stand_as_text() -> None:
    assert canonical({"revision": [2**60, LARGEST_INTEGER, True]}) == (
        b'{"revision":["1152921504606846976",9007199254740991,true]}'
    )


@pytest.mark.parametrize("bad", [b'{"a":1,"a":1}', b"[NaN]", b"[Infinity]", b"\xff", b"", b"[1", b"[" * 100_000])
def test_what_is_no_json_is_a_value_error(bad: bytes) -> None:
    with pytest.raises(ValueError, match=r"."):
        parsed(bad)


def test_endless_digits_are_no_work() -> None:
    with pytest.raises(ValueError, match=r"."):
        canonical(parsed(b"[" + b"9" * 1_000_000 + b"]"))
