"""Rises that are heard coming: the level an output starts at, and the steps in which it gets to its final one.

Common practice; no published source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from fleet.model.description import Range
from fleet.model.plan import RAMPS, Phase, Work
from fleet.model.settings import DeviceSettings, OutputSettings
from fleet.model.state import Reported
from fleet.reconcile.brackets import Bracket
from fleet.reconcile.exact import ROUNDING

RAMP_STEP_DB = 3.0
RAMP_DB = RAMP_STEP_DB * len(RAMPS)
"""How far below its final level an output starts at most."""
NOTHING = OutputSettings()


@dataclass(frozen=True, slots=True, kw_only=True)
class Ramp:
    """The level in dB an output has before its ramp, and those of the steps; the last one is the final level."""

    start_db: float
    steps_db: tuple[float, ...]


def ramp(from_db: float, to_db: float, levels: Range) -> Ramp:
    """The ramp of an output from one level up to another: at most eight steps, alike, of 3 dB or less.

    It starts at `from_db`, or 24 dB below `to_db` where that is higher. A device whose own step is no part of 3 dB
    rises by as many of its steps as fit into 3 dB (by one where none does), and so starts less than 24 dB below.
    """
    if not levels.step:
        rise_db = min(to_db - from_db, RAMP_DB)
        if rise_db <= ROUNDING:
            return Ramp(start_db=to_db, steps_db=())
        count = math.ceil(rise_db / RAMP_STEP_DB - ROUNDING)
        steps_db = tuple(to_db - rise_db * (count - i) / count for i in range(1, count))
        return Ramp(start_db=to_db - rise_db, steps_db=(*steps_db, to_db))
    at_once = max(1, _whole(RAMP_STEP_DB / levels.step))
    apart = math.ceil((to_db - from_db) / levels.step - ROUNDING)
    apart = min(apart, at_once * len(RAMPS), _whole(RAMP_DB / levels.step))
    if apart <= 0:
        return Ramp(start_db=to_db, steps_db=())
    count = math.ceil(apart / at_once)
    lowest_db = to_db - apart * levels.step
    rises = ((2 * apart * i + count) // (2 * count) for i in range(1, count))
    between_db = tuple(levels.nearest(lowest_db + rise * levels.step) for rise in rises)
    return Ramp(start_db=levels.nearest(max(from_db, lowest_db)), steps_db=(*between_db, to_db))


def ramps(reported: Reported, recalled: DeviceSettings, final: DeviceSettings, bracket: Bracket) -> dict[int, Ramp]:
    """By output, the ramps of those that will sound and rise on the way to `final`.

    `recalled` is what a recall leaves. Where a level is not known, before or at the end, there is no ramp.
    """
    found = {}
    for number, present in sorted(reported.state.live.outputs.items()):
        able = reported.description.output(number)
        brought_db = recalled.outputs.get(number, NOTHING).level_db
        set_db = final.outputs.get(number, NOTHING).level_db
        to_db = brought_db if set_db is None else set_db
        if able is None or to_db is None or present.level_db is None:
            continue
        from_db = _from_db(number, present, brought_db, able.level_db, bracket)
        if from_db is None:
            continue
        lowest_db = min(from_db, present.level_db)
        comes_back = number in bracket.unmute and number not in bracket.mute
        if comes_back or to_db - lowest_db > RAMP_STEP_DB + ROUNDING:
            rise = ramp(from_db, to_db, able.level_db)
            if rise.steps_db:
                found[number] = rise
    return found


def _from_db(
    number: int, present: OutputSettings, brought_db: float | None, levels: Range, bracket: Bracket
) -> float | None:
    """The level in dB that an output may rise from; `None` where it will not sound."""
    if number in bracket.unmute:
        return present.level_db if number in bracket.mute else levels.min
    silent = present.mute or number in bracket.mute
    return None if silent else brought_db


def ramp_work(rising: Mapping[int, Ramp]) -> dict[Phase, Work]:
    """The steps of all ramps, phase by phase."""
    phases = {}
    for index, phase in enumerate(RAMPS):
        levels = {n: OutputSettings(level_db=r.steps_db[index]) for n, r in rising.items() if index < len(r.steps_db)}
        if levels:
            phases[phase] = Work(settings=DeviceSettings(outputs=levels))
    return phases


def _whole(ratio: float) -> int:
    return math.floor(ratio + ROUNDING)
