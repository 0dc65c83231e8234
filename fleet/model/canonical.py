"""Canonical JSON as RFC 8785 (JCS) has it: one text for one value, whoever writes it down, in whatever language."""

from __future__ import annotations

import json
from hashlib import sha256
from typing import Any, Final, NoReturn

import rfc8785

from fleet.model.names import shown

LARGEST_INTEGER: Final = 2**53 - 1
"""Larger integers are no numbers in I-JSON (RFC 7493, section 2.2), which asks for text instead."""


def canonical(data: object) -> bytes:
    """Plain data as canonical JSON; integers that are too large for a JSON number stand as text.

    Raises `ValueError` for what no JSON can hold: not a number, infinity, half of a surrogate pair.
    """
    try:
        return rfc8785.dumps(data)  # type: ignore[arg-type]  # it says itself what it does not take
    except rfc8785.IntegerDomainError:
        return rfc8785.dumps(_with_text(data))
    except RecursionError:
        raise ValueError("nested too deeply") from None


def parsed(text: bytes) -> Any:
    """JSON text as plain data. Raises `ValueError`, also for two members of one name and for what is no number.

    A whole number that is too large to be an integer here is what canonical JSON writes of a large fraction's kind.
    """
    try:
        return json.loads(
            text.decode("utf-8"), object_pairs_hook=_members, parse_int=_number, parse_constant=_no_number
        )
    except RecursionError:
        raise ValueError("nested too deeply") from None


def sha256_of(data: object) -> str:
    """SHA-256 of the canonical JSON of plain data, as hex. Raises `ValueError` as `canonical` does."""
    return sha256(canonical(data)).hexdigest()


def _members(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members = dict(pairs)
    if len(members) != len(pairs):
        names = [name for name, _ in pairs]
        raise ValueError(f"two members are named {shown(next(n for n in names if names.count(n) > 1))!r}")
    return members


def _number(text: str) -> int | float:
    """Digits as a number; a float where they are too many for an integer (also to guard against endless ones)."""
    return int(text) if len(text) <= 17 and abs(int(text)) <= LARGEST_INTEGER else float(text)


def _no_number(text: str) -> NoReturn:
    raise ValueError(f"{text} is no number of JSON")


def _with_text(data: Any) -> Any:
    if isinstance(data, dict):
        return {name: _with_text(value) for name, value in data.items()}
    if isinstance(data, list | tuple):
        return [_with_text(value) for value in data]
    if isinstance(data, int) and not isinstance(data, bool) and abs(data) > LARGEST_INTEGER:
        return str(data)
    return data
