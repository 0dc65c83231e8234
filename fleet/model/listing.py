"""Numbers of things, and words in a row, as people write them."""

from __future__ import annotations

from collections.abc import Sequence


def counted(number: int, what: str) -> str:
    """A number of things: `1 band`, `6 bands`."""
    return f"{number} {what}{'' if number == 1 else 's'}"


def listed(words: Sequence[str], last: str = "and") -> str:
    """`a`, `a and b`, `a, b and c`."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {last} {words[-1]}"
