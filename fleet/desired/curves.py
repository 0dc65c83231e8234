"""Curves as files write them, and the chain that an `eq` makes of them.

A curve is a list of bands, or points of a target that every device makes with bands of its own.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Final, TypeAlias

from pydantic import BeforeValidator, Discriminator, Field, Tag, WithJsonSchema, model_validator

from fleet.desired.kinds import number_of, said, tagged
from fleet.desired.nodes import Trail
from fleet.desired.parts import HOUSE, BandList, BandPart, Part
from fleet.desired.scalars import core_value
from fleet.desired.wording import hint, quoted
from fleet.model.listing import listed
from fleet.model.settings import Band
from fleet.model.venue import TargetCurve

Curve: TypeAlias = tuple[Band, ...] | TargetCurve
Curves: TypeAlias = Mapping[str, Curve | None]
"""Curves by name, `house` among them where the room has one; `None` for one that is itself broken."""

MAX_BANDS: Final = 64
LARGEST_DB: Final = 30
Gain = Annotated[
    float,
    BeforeValidator(number_of),
    Field(ge=-LARGEST_DB, le=LARGEST_DB),
    WithJsonSchema({"type": "number", "minimum": -LARGEST_DB, "maximum": LARGEST_DB}),
]


def _frequency(key: object) -> float:
    value = core_value(key) if isinstance(key, str) else key
    if isinstance(value, int | float) and not isinstance(value, bool) and 0 < value < math.inf:
        return float(value)
    raise said("is no frequency in Hz; write points as `Hz: dB`, like `125: 2.5`")


def _two_at_least(points: object) -> object:
    if isinstance(points, dict) and len(points) < 2:
        raise said(f"wants two points at least, like `{{100: 3, 1000: 0}}`, got {len(points)}")
    return points


def _each_once(points: object) -> object:
    """Keys that are different text may be one number, and would fall together."""
    written: dict[object, list[str]] = defaultdict(list)
    for key in points if isinstance(points, dict) else ():
        value = core_value(key)
        written[float(value) if isinstance(value, int) else value].append(key)
    for keys in written.values():
        if len(keys) > 1:
            raise said(f"has one frequency more than once: {listed([quoted(key) for key in keys])}")
    return points


class PointsPart(Part):
    """A target curve, made with as many bands as a device has: straight in dB over log frequency, flat outside."""

    points: Annotated[
        dict[Annotated[float, BeforeValidator(_frequency)], Gain],
        Field(min_length=2, max_length=500),
        BeforeValidator(_each_once),
        BeforeValidator(_two_at_least),
    ] = Field(description="Gain in dB by frequency in Hz.")

    @model_validator(mode="before")
    @classmethod
    def _one_way(cls, value: object) -> object:
        if isinstance(value, dict) and "points" not in value:
            raise said("wants a list of bands, or a mapping with the `points` of a target")
        if isinstance(value, dict) and "bands" in value:
            raise said("has both `points` and `bands`; an `eq` like `[house, {band}]` adds bands to a curve of points")
        return value


CurvePart = Annotated[
    Annotated[BandList, Tag("<bands>")] | Annotated[PointsPart, Tag("<points>")],
    Discriminator(tagged("<bands>", mapping="<points>")),
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Chain:
    """What an equaliser should be: a target to be fitted, if any, and bands after it."""

    target: TargetCurve | None = None
    bands: tuple[Band, ...] = ()


def curve_of(part: PointsPart | Sequence[BandPart]) -> Curve:
    """A curve as it is written."""
    if isinstance(part, PointsPart):
        return TargetCurve(points=tuple(sorted(part.points.items())))
    return tuple(_band(band) for band in part)


def chain_of(curve: Curve | None) -> Chain:
    """A curve by itself; none where it is broken."""
    return Chain(target=curve) if isinstance(curve, TargetCurve) else Chain(bands=curve or ())


def chain(
    eq: str | Sequence[str | BandPart], path: Trail, curves: Curves, complain: Callable[[Trail, str], None]
) -> Chain:
    """What an `eq` at a path makes of curves and bands. Complains of unknown curves and of a second target."""
    items: list[tuple[Trail, str | BandPart]] = (
        [(path, eq)] if isinstance(eq, str) else [((*path, number), item) for number, item in enumerate(eq)]
    )
    bands: list[Band] = []
    target: TargetCurve | None = None
    for where, item in items:
        curve = (_band(item),) if isinstance(item, BandPart) else curves.get(item)
        if isinstance(curve, TargetCurve):
            if target is not None:
                complain(where, "a second curve of points; an `eq` can have one, and bands beside it")
            target = curve
        elif isinstance(item, str) and item not in curves:
            complain(where, _unknown_curve(item, curves))
        else:
            bands.extend(curve or ())
    if len(bands) > MAX_BANDS:
        complain(path, f"{len(bands)} bands in all; at most {MAX_BANDS} can be given")
    return Chain(target=target, bands=tuple(bands))


def _unknown_curve(name: str, curves: Curves) -> str:
    if name == HOUSE:
        return "the room has no `house_curve` that `house` could stand for"
    if name == "none":
        return "no curve is named `none`; for no bands write `eq: []`"
    return f"unknown curve {quoted(name)}{hint(name, curves)}"


def _band(part: BandPart) -> Band:
    return Band(shape=part.shape, frequency_hz=part.frequency_hz, gain_db=part.gain_db, q=part.q)
