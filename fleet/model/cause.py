"""Why a device is no longer as it was, as far as its reports tell; and what missing devices have in common."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from fleet.model.names import Id

CauseKind = Literal[
    "replaced",
    "firmware",
    "default slot",
    "reverted",
    "external mute",
    "alarm mute",
    "panel mute",
    "slots",
    "recalled",
    "input",
    "edited",
    "controller",
    "restart",
    "not known",
]
"""`default slot` and `restart` are both power cuts or restarts: it came back in a slot, or as it was. `recalled`,
`input` and `edited` were done at the box; done by another control system they are `controller`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """What probably happened to a device, in words that follow its name: "recalled slot 1 at its panel".

    `certain` where it follows from what the device reports as fact (identity, boots, mute causes, contents) and not
    from its hint, nor by choosing among readings that fit alike.
    """

    kind: CauseKind
    words: str
    certain: bool = False


NOT_KNOWN: Final = Cause(kind="not known", words="not known")

SharedKind = Literal["circuit", "switch", "rack", "room", "model", "venue"]
"""What devices may share, from the smallest explanation to the largest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a device hangs and what it is: everything that it may share with others. Rooms are titles for people.

    A device that serves several positions may have several of each; empty where it is not known.
    """

    circuits: frozenset[str] = frozenset()
    switches: frozenset[str] = frozenset()
    racks: frozenset[str] = frozenset()
    rooms: frozenset[str] = frozenset()
    model: str = ""
    firmware: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CommonCause:
    """What missing devices share: `devices` are those it explains, `apart` the missing ones that it does not.

    `spared` are devices that share it and are there. `name` is the circuit, switch, rack, room or model.
    """

    kind: SharedKind
    name: str
    devices: tuple[Id, ...]
    apart: tuple[Id, ...] = ()
    spared: tuple[Id, ...] = ()
    words: str
