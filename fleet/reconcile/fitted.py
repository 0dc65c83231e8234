"""A target curve as bands of one output: fitted, brought to the device's steps, and judged as the device holds them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from fleet.acoustics.fitting import FitShape, Limits, best, fits, interpolated_db
from fleet.acoustics.grid import R80_HZ
from fleet.acoustics.response import magnitude_db
from fleet.errors import BadInput
from fleet.model.description import Description, EqAbility, QConvention
from fleet.model.listing import counted
from fleet.model.settings import Band
from fleet.model.venue import Position, TargetCurve
from fleet.reconcile.chains import LARGEST_GAIN_DB, eq_sections, grid_hz
from fleet.reconcile.exact import ROUNDING
from fleet.reconcile.representable import nearest_bands
from fleet.reconcile.words import db, hz

REMEMBERED: Final = 4096
"""Fits kept: one a model, curve and number of bands left."""
LOWEST_Q: Final = 0.1
FITTED_SHAPES: Final[tuple[FitShape, ...]] = ("bell", "low_shelf", "high_shelf")
Hertz = tuple[float, float]


@dataclass(frozen=True, slots=True)
class TargetFit:
    """Bands that make a target curve, at the device's own steps, and where in the passband they are furthest from it.

    `worst_error_db` has no sign.
    """

    bands: tuple[Band, ...]
    worst_error_db: float
    worst_at_hz: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Task:
    """All that a fit depends on: outputs that have it in common share one."""

    target: TargetCurve
    most_bands: int
    ability: EqAbility | None
    rate_hz: float
    passband_hz: Hertz
    convention: QConvention


def target_fit(position: Position, description: Description) -> TargetFit | None:
    """The bands for a position's target, beside the bands it is given by hand; `None` where there is no target.

    Raises `BadInput` where the error exceeds the position's tolerance.
    """
    able = description.output(position.output)
    if position.target is None or able is None:
        return None
    left = able.eq.bands - len(position.fixed.eq or ()) if able.eq else 0
    try:
        fit = _fit(
            _Task(
                target=position.target,
                most_bands=left,
                ability=able.eq,
                rate_hz=description.sample_rate_hz,
                passband_hz=able.passband_hz,
                convention=description.q_convention,
            )
        )
    except ValueError as error:
        raise BadInput(f"the target curve cannot be fitted to what the device tells of itself: {error}") from None
    tolerance_db = position.tolerances.eq_db
    if fit.worst_error_db > tolerance_db + ROUNDING:
        with_what = f"with {counted(max(left, 0), 'band')}" if able.eq else "without an equaliser"
        raise BadInput(
            f"the curve cannot be made {with_what}: {db(fit.worst_error_db)} off at {hz(fit.worst_at_hz)} "
            f"(tolerance {db(tolerance_db)})"
        )
    return fit


@lru_cache(maxsize=REMEMBERED)
def _fit(task: _Task) -> TargetFit:
    """The best fit as the device would hold it."""
    return best(_held(task))


def _held(task: _Task) -> Iterator[TargetFit]:
    ability, convention, passband_hz = task.ability, task.convention, task.passband_hz
    limits = Limits(shapes=()) if ability is None else _limits(ability, passband_hz, convention)
    wanted_db = interpolated_db(task.target.points, R80_HZ)
    for fit in fits(wanted_db, task.rate_hz, passband_hz=passband_hz, most_bands=task.most_bands, limits=limits):
        bands: tuple[Band, ...] = ()
        if ability is not None:
            asked = [Band(shape=b.shape, frequency_hz=b.frequency_hz, gain_db=b.gain_db, q=b.q) for b in fit.bands]
            bands = tuple(band for band in nearest_bands(ability, convention, asked) if band.gain_db)
        yield _judged(task.target, bands, task.rate_hz, passband_hz)


def _limits(ability: EqAbility, passband_hz: Hertz, convention: QConvention) -> Limits:
    """What the device offers, at most an octave outside the passband: beyond, a band would do nothing but harm."""
    low_hz = max(ability.frequency_hz.min, passband_hz[0] / 2)
    high_hz = min(ability.frequency_hz.max, passband_hz[1] * 2)
    return Limits(
        shapes=tuple(shape for shape in FITTED_SHAPES if shape in ability.shapes) if low_hz <= high_hz else (),
        frequency_hz=(low_hz, max(low_hz, high_hz)),
        gain_db=(max(ability.gain_db.min, -LARGEST_GAIN_DB), min(ability.gain_db.max, LARGEST_GAIN_DB)),
        q=(max(ability.q.min, LOWEST_Q), max(ability.q.max, LOWEST_Q)),
        constant_q=convention == "constant_q",
    )


def _judged(target: TargetCurve, bands: tuple[Band, ...], rate_hz: float, passband_hz: Hertz) -> TargetFit:
    """Where bands are furthest from the target, on the grid and at their own centres, inside the passband."""
    points_hz = np.array([*grid_hz(rate_hz), *(b.frequency_hz for b in bands if b.frequency_hz < rate_hz / 2)])
    points_hz = points_hz[(points_hz >= passband_hz[0]) & (points_hz <= passband_hz[1])]
    made_db = magnitude_db(eq_sections([bands], rate_hz), points_hz, rate_hz)[0]
    off_db = np.abs(made_db - interpolated_db(target.points, points_hz))
    worst = int(np.argmax(off_db))
    return TargetFit(bands, float(off_db[worst]), float(points_hz[worst]))
