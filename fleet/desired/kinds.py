"""Kinds of value that a file may hold: text, numbers, names, choices. A refusal says what was wanted and what came."""

from __future__ import annotations

import math
from typing import Annotated, Any, Final, Literal

from pydantic import BeforeValidator, Field, StringConstraints
from pydantic_core import PydanticCustomError

from fleet.desired.scalars import Scalar
from fleet.model.names import ID_PATTERN, NAME_PATTERN, shown
from fleet.model.settings import Family, Polarity, Shape

WANTS: Final = "wants"
"""Type of an error whose context says what was `wanted` and what it `got`."""
SAID: Final = "said"
"""Type of an error whose context holds the whole sentence after the setting's name."""
SMALLEST: Final = 1e-9
LARGEST: Final = 1e9
"""Numbers beyond these stand for nothing in a venue, and would overflow what is computed from them."""


def wants(wanted: str, got: object) -> PydanticCustomError:
    """The error for a value of the wrong kind."""
    return PydanticCustomError(WANTS, "wants {wanted}, got {got}", {"wanted": wanted, "got": describe(got)})


def said(sentence: str) -> PydanticCustomError:
    """The error for a value of the right kind that makes no sense; `sentence` follows the setting's name."""
    return PydanticCustomError(SAID, "{sentence}", {"sentence": sentence})


def describe(value: object) -> str:
    """What somebody wrote, in a few words that are safe to show."""
    if isinstance(value, dict):
        return "a mapping"
    if isinstance(value, list):
        return "a list"
    if isinstance(value, Scalar):
        if value.value is None:
            return "nothing"
        word = "text " if isinstance(value.value, str) else ""
        return f"{word}`{shown(value.text)}`"
    return f"`{shown(str(value))}`"


def text_of(value: object) -> str:
    """The text as written, whatever it would mean unquoted."""
    if isinstance(value, str):  # a key
        return value
    if isinstance(value, Scalar) and value.value is not None:
        return value.text
    raise wants("text", value)


def number_of(value: object) -> float:
    """A finite number of a size that something in a venue can have."""
    if isinstance(value, Scalar) and isinstance(value.value, int | float) and not isinstance(value.value, bool):
        number = float(value.value)
        if not math.isfinite(number):
            raise wants("a finite number", value)
        if abs(number) > LARGEST:
            raise said(f"is out of all proportion: {describe(value)}")
        return number
    raise wants("a number", value)


def positive_of(value: object) -> float:
    """A number that may be a divisor where it is more than 0."""
    number = number_of(value)
    if 0 < number < SMALLEST:
        raise said(f"is out of all proportion: {describe(value)}")
    return number


def whole_of(value: object) -> int:
    """A whole number."""
    if isinstance(value, Scalar) and isinstance(value.value, int) and not isinstance(value.value, bool):
        return value.value
    raise wants("a whole number", value)


def truth_of(value: object) -> bool:
    """`true` or `false`; the `yes` and `off` of older YAML are text."""
    if isinstance(value, Scalar) and isinstance(value.value, bool):
        return value.value
    raise wants("true or false", value)


def tagged(scalar: str, mapping: str = "", sequence: str = "") -> Any:
    """A chooser among the branches of a union by the form of a value, so that only one branch complains."""

    def choose(value: object) -> str:
        if isinstance(value, dict) and mapping:
            return mapping
        if isinstance(value, list) and sequence:
            return sequence
        return scalar

    return choose


def entries(count: int, what: str) -> Any:
    """A refusal of lists of another length, in one complaint."""

    def counted(value: object) -> object:
        if isinstance(value, list) and len(value) != count:
            raise said(f"wants {count} entries ({what}), got {len(value)}")
        return value

    return BeforeValidator(counted)


Text = Annotated[str, BeforeValidator(text_of), StringConstraints(min_length=1, max_length=200)]
NameText = Annotated[str, BeforeValidator(text_of), StringConstraints(pattern=NAME_PATTERN)]
IdText = Annotated[str, BeforeValidator(text_of), StringConstraints(pattern=ID_PATTERN)]
Number = Annotated[float, BeforeValidator(number_of)]
PositiveNumber = Annotated[float, BeforeValidator(positive_of), Field(gt=0)]
NotNegativeNumber = Annotated[float, BeforeValidator(number_of), Field(ge=0)]
Decibel = Annotated[float, BeforeValidator(number_of), Field(ge=-1000, le=1000)]
Whole = Annotated[int, BeforeValidator(whole_of), Field(ge=1, le=10_000)]
SlotText = Annotated[int, BeforeValidator(whole_of), Field(ge=1, le=999)]
OutputText = Annotated[int, BeforeValidator(whole_of), Field(ge=1, le=64)]
Truth = Annotated[bool, BeforeValidator(truth_of)]
ShapeText = Annotated[Shape, BeforeValidator(text_of)]
FamilyText = Annotated[Family, BeforeValidator(text_of)]
PolarityText = Annotated[Polarity, BeforeValidator(text_of)]
Slope = Annotated[Literal[6, 12, 18, 24, 36, 48], BeforeValidator(whole_of)]
Continuous = Annotated[Literal["continuous"], BeforeValidator(text_of)]
NoFilterText = Annotated[Literal["none"], BeforeValidator(text_of)]
PointList = Annotated[list[Number], Field(min_length=3, max_length=3), entries(3, "x, y and z in m")]
