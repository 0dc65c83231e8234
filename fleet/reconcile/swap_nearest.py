"""The setting that a device can hold and that comes nearest to one that it cannot. Pure."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np

from fleet.acoustics.response import magnitude_db
from fleet.errors import BadInput
from fleet.model.description import CrossoverAbility, Description, OutputDescription
from fleet.model.settings import NO_FILTER, Band, Crossover, DeviceSettings, NoFilter, OutputSettings
from fleet.model.venue import Position, TargetCurve
from fleet.reconcile.chains import eq_sections, grid_hz
from fleet.reconcile.fitted import target_fit
from fleet.reconcile.wanted import Represent
from fleet.reconcile.words import db, hz


def holds(represent: Represent, description: Description, output: int, name: str, value: object) -> bool:
    """Whether an output of a device can hold a setting as it is."""
    try:
        represent(description, DeviceSettings(outputs={output: OutputSettings(**{name: value})}))  # type: ignore[arg-type]  # by name
    except BadInput:
        return False
    return True


def nearest(able: OutputDescription, description: Description, name: str, value: Any) -> Any:
    """What comes nearest to a setting that the output cannot hold."""
    match name:
        case "level_db":
            return able.level_db.nearest(value)
        case "delay_ms":
            return able.delay_ms.nearest(value) if able.delay_ms is not None else 0.0
        case "eq":
            return _refitted(able, description, value)
        case "high_pass":
            return _nearest_filter(able.high_pass, value)
        case "low_pass":
            return _nearest_filter(able.low_pass, value)
        case _:
            return "normal"  # of what is left only a polarity can be more than an output can do


def _refitted(able: OutputDescription, description: Description, bands: tuple[Band, ...]) -> tuple[Band, ...]:
    """Fewer or other bands with the response of these."""
    points_hz = grid_hz(description.sample_rate_hz)
    made_db = magnitude_db(eq_sections([bands], description.sample_rate_hz), points_hz, description.sample_rate_hz)[0]
    points = tuple((float(f), float(d)) for f, d in zip(points_hz, np.asarray(made_db), strict=True))
    stand_in = Position(
        name="eq", room="eq", device=description.id, output=able.output, target=TargetCurve(points=points)
    )
    best = best_fit(stand_in, description, always=True)
    return best[0] if best is not None else ()


def best_fit(
    position: Position, description: Description, *, always: bool = False
) -> tuple[tuple[Band, ...], str] | None:
    """The bands that come nearest to a target, where it is not made within tolerance, and how far off they are."""
    able = description.output(position.output)
    own = (position.fixed.eq or ())[: able.eq.bands if able and able.eq else 0]
    position = replace(position, fixed=replace(position.fixed, eq=own))
    if not always:
        try:
            target_fit(position, description)
        except BadInput:
            pass
        else:
            return None
    lenient = replace(position, tolerances=replace(position.tolerances, eq_db=math.inf))
    made = target_fit(lenient, description)
    if made is None:
        return None
    bands = (*made.bands, *own) if able and able.eq else ()
    return bands, f"at most {db(made.worst_error_db)} off at {hz(made.worst_at_hz)}"


def _nearest_filter(able: CrossoverAbility | None, wanted: Crossover) -> Crossover | NoFilter:
    """The same family and slope where they are offered, else the nearest slope; none where there are no filters."""
    offered = [(family, slope) for family, slopes in able.slopes.items() for slope in slopes] if able else []
    if able is None or not offered:
        return NO_FILTER
    family, slope = min(
        offered,
        key=lambda o: (
            o[1] != wanted.slope_db_per_octave,
            o[0] != wanted.family,
            abs(o[1] - wanted.slope_db_per_octave),
        ),
    )
    return Crossover(
        family=family,
        slope_db_per_octave=slope,  # type: ignore[arg-type]  # the description offers it
        frequency_hz=able.frequency_hz.nearest(wanted.frequency_hz),
    )
