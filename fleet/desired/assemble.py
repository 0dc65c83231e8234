"""Settled values into the fields of a position: fixed, allowed range, still to be computed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, cast

from fleet.desired.files import LinePart
from fleet.desired.layers import Layer
from fleet.model.settings import OutputSettings
from fleet.model.venue import Between, Line, LineLoudspeakers, Point, Position, TimeAlign, Tolerances


def furnished(position: Position, values: Layer) -> Position:
    """The position with its settled values in their places."""
    delay = values.get("delay")
    outputs = {
        **{name: values.get(name) for name in ("level_db", "mute", "polarity", "eq", "high_pass", "low_pass")},
        "delay_ms": None if isinstance(delay, TimeAlign) else delay,
    }
    between = {name: value for name, value in outputs.items() if isinstance(value, Between)}
    fixed = cast(Any, {name: value for name, value in outputs.items() if name not in between})
    return replace(
        position,
        fixed=OutputSettings(**fixed),
        between=between,
        time_align=delay if isinstance(delay, TimeAlign) else None,
        listen_at_m=cast(Point | None, values.get("listen_at_m")),
        slots=cast(Mapping[str, int], values.get("slots", {})),
        input=cast(str | None, values.get("input")),
        panel_locked=cast(bool | None, values.get("panel_locked")),
        power_up_slot=cast(int | None, values.get("power_up_slot")),
        role=cast(str, values.get("role", "")),
        tolerances=Tolerances(
            **{
                name.removeprefix("tolerances."): cast(float, value)
                for name, value in values.items()
                if name.startswith("tolerances.")
            }
        ),
    )


def point_of(numbers: list[float] | None) -> Point | None:
    """Coordinates in m."""
    return None if numbers is None else (numbers[0], numbers[1], numbers[2])


def line_of(part: LinePart | None) -> Line | None:
    """The line behind an output."""
    if part is None:
        return None
    return Line(
        volts=part.volts,
        loudspeakers=tuple(LineLoudspeakers(count=each.count, tap_w=each.tap_w) for each in part.loudspeakers),
        cable_m=part.cable_m,
        cable_mm2=part.cable_mm2,
        amplifier_w=part.amplifier_w,
    )
