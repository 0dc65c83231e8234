"""What a calculator answers: numbers, the formula they come from, and what to be careful about."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TypeAlias

from fleet.errors import BadInput

Value: TypeAlias = float | int | list[float] | list[list[float]] | None
"""`None` where a value was not asked for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """Values by name with their unit in the name, in the order to be read."""

    values: Mapping[str, Value]
    formula: str
    source: str
    cautions: tuple[str, ...] = ()


@contextmanager
def asked(**options: str) -> Iterator[None]:
    """Turn what a formula refuses into `BadInput` that names the option: `options` maps arguments to options."""
    try:
        yield
    except ValueError as error:
        argument, _, rest = str(error).partition(" ")
        raise BadInput(f"{options.get(argument, argument)} {rest}".strip()) from None
