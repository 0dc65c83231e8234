"""The columns of a sheet that is imported: what each holds, in which unit, and how a cell is read."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final, TypeAlias

from fleet.desired.kinds import LARGEST
from fleet.desired.wording import quoted, unit_of
from fleet.model.names import ID_PATTERN, NAME_PATTERN

Value: TypeAlias = "str | float | int | tuple[str, ...]"

_NUMBER: Final = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)", re.ASCII)
_THOUSANDS: Final = re.compile(r"[+-]?[1-9]\d{0,2}[.,]\d{3}", re.ASCII)
_LONGEST: Final = 200
_BETWEEN_NAMES: Final = re.compile(r"[\s,;|]+")


class WrongCellError(ValueError):
    """What is wrong with a cell, beginning with a verb."""


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a sheet. `read` turns a cell that is not empty into a value, or raises `WrongCellError`."""

    name: str
    what: str
    example: str
    read: Callable[[str], Value]
    number: bool = False

    def value(self, text: str, *, commas: bool) -> Value:
        """What a cell says. `commas` tells that other cells of the sheet have decimal commas."""
        signed = text[0] in "+-" and (bool(_NUMBER.fullmatch(text)) or (self.number and text[1:2].isdigit()))
        if text[0] in "=+-@" and not signed:
            raise WrongCellError(f"begins like a formula: {quoted(text)}; paste values, with no =, +, - or @ in front")
        if self.number and _THOUSANDS.fullmatch(text) and ("," in text or commas):
            raise WrongCellError(f"may be read in two ways: {quoted(text)}; write no thousands separator")
        return self.read(text)

    @property
    def unit(self) -> str:
        """The unit its numbers are in, or nothing."""
        return unit_of(self.name)


def decimal_comma(text: str) -> bool:
    """Whether a cell is a number with a comma that can only be a decimal one."""
    return bool(_NUMBER.fullmatch(text)) and "," in text and not _THOUSANDS.fullmatch(text)


def _text(text: str) -> str:
    if len(text) > _LONGEST:
        raise WrongCellError(f"wants at most {_LONGEST} characters")
    return text


def _matching(pattern: str, what: str) -> Callable[[str], str]:
    def read(text: str) -> str:
        if not re.fullmatch(pattern, text):
            raise WrongCellError(f"is no {what}: {quoted(text)}")
        return text

    return read


_NAME: Final = _matching(NAME_PATTERN, "name (lower case letters, digits and hyphens, at most 63)")
_ID: Final = _matching(ID_PATTERN, "device id (letters, digits and hyphens, at most 64)")


def _names(text: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys(_NAME(word) for word in _BETWEEN_NAMES.split(text) if word))


def _number(unit: str, least: float = -LARGEST, most: float = LARGEST) -> Callable[[str], float]:
    def read(text: str) -> float:
        plain = text.replace("\u2212", "-")
        if not _NUMBER.fullmatch(plain):
            raise WrongCellError(f"wants a number in {unit}, without the unit, got {quoted(text)}")
        number = float(plain.replace(",", "."))
        if not least <= number <= most:
            raise WrongCellError(f"wants a number from {least:g} to {most:g} {unit}, got {quoted(text)}")
        return number

    return read


def _whole(most: int) -> Callable[[str], int]:
    def read(text: str) -> int:
        if not re.fullmatch(r"\d{1,9}", text, re.ASCII) or not 1 <= int(text) <= most:
            raise WrongCellError(f"wants a whole number from 1 to {most}, got {quoted(text)}")
        return int(text)

    return read


_ALL: Final = (
    Column("room", "name of the room; in every row", "class-101", _NAME),
    Column("room_name", "name of the room for people", "Classroom 101", _text),
    Column("position", "name of the position; in every row", "left", _NAME),
    Column("device", "id of the device; where it is empty, its serial finds it", "box-0412", _ID),
    Column("serial", "serial of the device; in the files stands the id", "B8-20417", _text),
    Column("output", "output of the device; 1 where it is empty", "1", _whole(64)),
    Column("x_m", "where it is; all three or none", "0", _number("m"), number=True),
    Column("y_m", "where it is", "-2.5", _number("m"), number=True),
    Column("z_m", "where it is", "2.8", _number("m"), number=True),
    Column("groups", "groups of the room, with spaces between", "mains front", _names),
    Column("level_db", "level of this position", "-6.5", _number("dB", -1000, 1000), number=True),
    Column("delay_ms", "delay of this position", "12", _number("ms", 0), number=True),
    Column("drawing", "reference: on the drawings", "A-201/7", _text),
    Column("cable", "reference: cable", "C-0117", _text),
    Column("rack", "reference: rack and unit", "R2/14", _text),
    Column("circuit", "reference: mains circuit", "LP3-11", _text),
    Column("switch_port", "reference: network switch and port", "SW-2/17", _text),
    Column("curve", "house curve of the room", "speech", _NAME),
    Column("slot", "preset slot that holds the house curve", "5", _whole(999)),
    Column("template", "template of the venue that the room stands on", "classroom", _NAME),
)
COLUMNS: Final[Mapping[str, Column]] = {column.name: column for column in _ALL}
"""By name, in the order of the documentation."""
REFERENCES: Final = ("drawing", "cable", "rack", "circuit", "switch_port")
OF_THE_ROOM: Final = ("room_name", "template", "curve", "slot")
"""Columns that say something of the whole room: each row of it says the same, or nothing."""
