"""Names for what is captured: of positions after their devices, of curves after slots, of groups after models."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Collection

from fleet.model.description import Description

LONGEST = 63


def name_from(text: str) -> str:
    """A name (lower case letters, digits, hyphens) from any text; empty where nothing of it is left."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:LONGEST].strip("-")


def position_names(description: Description, called: str = "") -> dict[int, str]:
    """The name of a position by output: `called` or the device's id, and the output's own name where there are more."""
    base = called or name_from(description.id)
    if len(description.outputs) == 1:
        return {description.outputs[0].output: base}
    own = {one.output: name_from(one.name) for one in description.outputs}
    often = Counter(own.values())
    return {
        output: f"{base}-{name if name and often[name] == 1 else output}"[:LONGEST].strip("-")
        for output, name in own.items()
    }


def free_name(wanted: str, taken: Collection[str]) -> str:
    """A name that is not taken: the wanted one, or the first of `wanted-2`, `wanted-3`…"""
    name, number = wanted, 2
    while name in taken:
        end = f"-{number}"
        name, number = f"{wanted[: LONGEST - len(end)]}{end}", number + 1
    return name
