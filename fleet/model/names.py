"""Names and ids: which characters they may have, and how text from the network is made safe to show."""

from __future__ import annotations

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


def shown(text: str, length: int = SHOWN_LENGTH) -> str:
    """Text from the network, safe for a log or a screen: NFC, one line, printable, at most `length` characters.

    Control, format (right-to-left marks among them), surrogate and private characters become `?`.
    """
    normal = unicodedata.normalize("NFC", text[: length * 4])
    safe = "".join("?" if unicodedata.category(c)[0] == "C" or c in "\u2028\u2029" else c for c in normal)
    return safe if len(safe) <= length else safe[: length - 1] + "…"
