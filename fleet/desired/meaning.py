"""Whether a text says what was meant: data as the reader sees it beside plain values."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypeAlias

from fleet.desired.nodes import Data, Trail
from fleet.desired.notation import Plain
from fleet.desired.scalars import Scalar


@dataclass(frozen=True, slots=True)
class Meant:
    """A value as it is meant, whatever way it is written."""

    value: Plain


Expected: TypeAlias = "Data | Meant | dict[str, Expected]"


def changed(data: Expected, path: Trail, value: Plain) -> Expected:
    """What the data should be once `value` is at a path of mappings; `None` takes the last member out."""
    name, below = str(path[0]), path[1:]
    members: dict[str, Expected] = dict(data) if isinstance(data, dict) else {}
    if below:
        inner = members.get(name)
        members[name] = changed(inner if isinstance(inner, dict) else {}, below, value)
    elif value is None:
        members.pop(name, None)
    else:
        members[name] = Meant(value)
    return members


def at(data: Data, path: Trail) -> Data | None:
    """What stands at a path of mappings; `None` where nothing does."""
    part: Data | None = data
    for name in path:
        part = part.get(str(name)) if isinstance(part, dict) else None
    return part


def agrees(found: Data | None, expected: Expected) -> bool:
    """Whether data is as expected: what is meant by its meaning, everything else to the letter."""
    if isinstance(expected, Meant):
        return found is not None and means(found, expected.value)
    if isinstance(expected, dict) and isinstance(found, dict):
        return found.keys() == expected.keys() and all(agrees(found[key], value) for key, value in expected.items())
    if expected == {} and isinstance(found, Scalar):
        return found.value is None
    return found == expected


def means(found: Data, value: Plain) -> bool:
    """Whether data says a plain value: a number by its size, text by its letters, a mapping in any order."""
    if isinstance(value, Mapping):
        return (
            isinstance(found, dict)
            and found.keys() == value.keys()
            and all(means(found[key], member) for key, member in value.items())
        )
    if isinstance(value, str):
        return isinstance(found, Scalar) and found.value is not None and found.text == _normal(value)
    if isinstance(value, Sequence):
        return (
            isinstance(found, list)
            and len(found) == len(value)
            and all(means(item, wanted) for item, wanted in zip(found, value, strict=True))
        )
    if not isinstance(found, Scalar):
        return False
    if isinstance(value, bool) or value is None:
        return found.value is value
    return isinstance(found.value, int | float) and not isinstance(found.value, bool) and found.value == value


def _normal(text: str) -> str:
    return unicodedata.normalize("NFC", text)
