"""Names and ids: which characters they may have, and how text from the network is made safe to show."""

from __future__ import annotations

import re
import unicodedata
from typing import Annotated

from pydantic import Field, StringConstraints

ID_PATTERN = r"^[A-Za-z0-9][A-Za-z0-9-]{0,63}$"

Id = Annotated[str, StringConstraints(pattern=ID_PATTERN)]
"""Id of a device, controller, request or change (wire contract)."""

NAME_PATTERN = r"^[a-z0-9][a-z0-9-]{0,62}$"

Name = Annotated[str, StringConstraints(pattern=NAME_PATTERN)]
"""Name of a room, group, position or curve: lower case letters, digits and hyphens."""

SlotNumber = Annotated[int, Field(ge=1, le=999)]
OutputNumber = Annotated[int, Field(ge=1, le=64)]

SHOWN_LENGTH = 64
MOST_MARKS = 3
"""On one character: no language stacks more once they are composed, and towers of them cover the lines above."""
_MARK = "[\u0300-\u036f\u0483-\u0489\u1ab0-\u1aff\u1dc0-\u1dff\u20d0-\u20ff\ufe20-\ufe2f]"
_PILED = re.compile(f"({_MARK}{{{MOST_MARKS}}}){_MARK}+")
_UNSEEN = frozenset("\u2028\u2029\u115f\u1160\u3164\uffa0")
"""Separators of lines, and letters that no font draws."""


def shown(text: str, length: int = SHOWN_LENGTH) -> str:
    """Text from the network, safe for a log or a screen: NFC, one line, printable, at most `length` characters.

    Control, format (right-to-left marks among them), surrogate, private and invisible characters become `?`; piles of
    combining marks are cut.
    """
    part = text[: length * 4]
    if part.isascii() and part.isprintable():
        safe = part
    else:
        normal = _PILED.sub(r"\1", unicodedata.normalize("NFC", part))
        safe = "".join("?" if unicodedata.category(c)[0] == "C" or c in _UNSEEN else c for c in normal)
    return safe if len(safe) <= length else safe[: length - 1] + "…"
