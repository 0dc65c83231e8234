"""The responses that outputs should have and that they report, position by position: of the EQ, and of the whole chain.

Computed at each device's own sample rate, and from its own Q convention, which its driver has brought to ours. Mute,
polarity and delay are no part of it. Filters count down to -40 dB, as where responses are compared.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Final

import numpy as np

from fleet.acoustics.biquads import Floats
from fleet.acoustics.grid import R80_HZ
from fleet.errors import BadInput
from fleet.model.description import Description
from fleet.model.names import Id, Name, OutputNumber
from fleet.model.settings import NO_FILTER, OutputSettings
from fleet.model.venue import Between, Position
from fleet.reconcile.chains import FLOOR_DB
from fleet.reconcile.outlook import Outlook
from fleet.reconcile.response import output_response_db
from fleet.reconcile.scope import select
from fleet.reconcile.walking import in_order
from fleet.services.desired import Desired
from fleet.services.inventory import Inventory
from fleet.services.outlook import Lookout


class Density(IntEnum):
    """Points a decade: R80, or every second, fourth or eighth point of it, 1 kHz always among them."""

    R80 = 80
    R40 = 40
    R20 = 20
    R10 = 10


FILTERS: Final = ("eq", "high_pass", "low_pass")
CHAIN: Final = ("level_db", *FILTERS)
_NO_FILTERS: Final = OutputSettings(eq=(), high_pass=NO_FILTER, low_pass=NO_FILTER)

Gains = tuple[float | None, ...]
"""Gains in dB by frequency; `None` where the device's sample rate does not carry it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ResponseOf:
    """The responses of a position; `None` where there is none, and then why.

    What is `not_managed` counts in the wanted chain as it is reported, or where nothing is reported as if it did
    nothing; so only what is managed sets the two apart. `wanted_eq_db` is `None` where the EQ is not managed.
    """

    position: Name
    device: Id
    output: OutputNumber
    sample_rate_hz: float | None = None
    passband_hz: tuple[float, float] | None = None
    not_managed: tuple[str, ...] = ()
    wanted_eq_db: Gains | None = None
    reported_eq_db: Gains | None = None
    wanted_chain_db: Gains | None = None
    reported_chain_db: Gains | None = None
    why_not_wanted: str = ""
    why_not_reported: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Responses:
    """The responses of positions of a room, at these frequencies."""

    room: Name
    frequencies_hz: tuple[float, ...]
    positions: tuple[ResponseOf, ...]


def responses(
    room: str,
    desired: Desired,
    inventory: Inventory,
    lookout: Lookout,
    *,
    group: str | None = None,
    position: str | None = None,
    density: Density = Density.R80,
) -> Responses:
    """The responses of a room's positions, by what their devices last told, in the order that people count them.

    Raises `NotFound`, `BadInput` for a group with a position, and `Refused` where nothing is loaded.
    """
    found = in_order({p.name: p for p in select(desired.venue(), room, group=group, position=position)})
    outlook = lookout.glance({p.device for p in found})
    descriptions = inventory.descriptions()
    picked = _picked(density)
    return Responses(
        room=room,
        frequencies_hz=tuple(float(hz) for hz in R80_HZ[picked]),
        positions=tuple(_response(p, outlook, descriptions.get(p.device), picked) for p in found),
    )


def _picked(density: Density) -> slice:
    every = 80 // density
    thousand = int(np.argmin(np.abs(R80_HZ - 1000.0)))
    return slice(thousand % every, None, every)


def _response(p: Position, outlook: Outlook, description: Description | None, picked: slice) -> ResponseOf:
    def without(wanted: str, reported: str) -> ResponseOf:
        return ResponseOf(
            position=p.name, device=p.device, output=p.output, why_not_wanted=wanted, why_not_reported=reported
        )

    if p.life_safety:
        return without("life safety: left alone", "life safety: left alone")
    able = description.output(p.output) if description else None
    if description is None or able is None:
        words = f"{p.device} has no output {p.output}" if description else f"{p.device} has not told what it is"
        return without(words, outlook.unreachable.get(p.device, words))
    wanted, between = _wanted(p, outlook)
    reported = outlook.reported.get(p.device)
    found = reported.state.output(p.output) if reported else None
    not_managed = tuple(name for name in CHAIN if getattr(wanted, name) is None and name not in between)
    chain = _chain(wanted, between, found) if len(not_managed) < len(CHAIN) else None
    why_not_wanted = outlook.unsuitable.get(p.device, "") or ("" if chain else "nothing of it is managed")
    bands = (found or OutputSettings()).only(("eq",))
    try:
        return ResponseOf(
            position=p.name,
            device=p.device,
            output=p.output,
            sample_rate_hz=description.sample_rate_hz,
            passband_hz=able.passband_hz,
            not_managed=not_managed,
            wanted_eq_db=_gains(description, p.output, wanted.only(("eq",)), picked) if wanted.eq is not None else None,
            reported_eq_db=_gains(description, p.output, bands, picked) if bands.eq is not None else None,
            wanted_chain_db=_gains(description, p.output, chain, picked) if chain else None,
            reported_chain_db=_gains(description, p.output, found.only(CHAIN), picked) if found else None,
            why_not_wanted=why_not_wanted,
            why_not_reported="" if found else outlook.unreachable.get(p.device, f"{p.device} was not read"),
        )
    except BadInput as error:
        return without(str(error), str(error))


def _wanted(p: Position, outlook: Outlook) -> tuple[OutputSettings, dict[str, Between]]:
    """What is wanted of the chain, brought to what the device can hold where that could be done."""
    want = outlook.wants.get(p.device)
    output = want.outputs.get(p.output) if want else None
    if output is None:
        return p.fixed.only(CHAIN), dict(p.between)
    return output.settings.only(CHAIN), dict(output.between)


def _chain(wanted: OutputSettings, between: dict[str, Between], found: OutputSettings | None) -> OutputSettings:
    """The wanted chain over what is reported, a level with an allowed range brought to the nearest end of it."""
    below = found.only(CHAIN) if found else _NO_FILTERS
    whole = wanted.over(below)
    if (span := between.get("level_db")) is None:
        return whole
    is_db = below.level_db if below.level_db is not None else span.high
    return OutputSettings(level_db=min(max(is_db, span.low), span.high)).over(whole)


def _gains(description: Description, output: int, settings: OutputSettings, picked: slice) -> Gains:
    """Filters in dB, not below the floor, plus the level; rounded to a hundredth of a dB."""
    filters_db: Floats = np.maximum(output_response_db(description, output, settings.only(FILTERS)), FLOOR_DB)
    gains_db = np.round(filters_db + (settings.level_db or 0.0), 2)
    whole = [float(gain) + 0.0 for gain in gains_db] + [None] * (len(R80_HZ) - len(gains_db))
    return tuple(whole[picked])
