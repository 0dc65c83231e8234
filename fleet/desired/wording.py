"""Words for complaints: lists, units of settings, and the name that was probably meant."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from typing import Final

from fleet.model.names import shown

_UNITS: Final = {
    "_db_per_octave": "dB per octave",
    "_db": "dB",
    "_ms": "ms",
    "_hz": "Hz",
    "_m": "m",
    "_mm2": "mm²",
    "_c": "°C",
    "_w": "W",
    "_deg": "degrees",
    "_ohm": "ohm",
    "_hours": "hours",
    "_volts": "V",
}


def unit_of(setting: str) -> str:
    """The unit that a setting carries in its name, or nothing."""
    return next((unit for suffix, unit in _UNITS.items() if setting.endswith(suffix)), "")


def quoted(name: str) -> str:
    """A name or value as complaints show it."""
    return f"`{shown(name)}`"


def nearest(word: str, known: Iterable[str]) -> str:
    """The end of a complaint about a wrong word: what was probably meant, if anything is near."""
    near = difflib.get_close_matches(word[:100], sorted(known), n=1)
    return f"; did you mean {quoted(near[0])}?" if near else ""


def hint(word: str, known: Iterable[str]) -> str:
    """The end of a complaint about an unknown name: what was probably meant, else what there is."""
    names = sorted(known)
    if not names:
        return "; there are none"
    more = f" and {len(names) - 8} more" if len(names) > 8 else ""
    return nearest(word, names) or f"; there is {', '.join(map(quoted, names[:8]))}{more}"
