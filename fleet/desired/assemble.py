"""Settled values into the fields of a position: fixed, allowed range, still to be computed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any, cast

from fleet.desired.curves import Chain
from fleet.desired.files import RoomFile
from fleet.desired.hours_parts import hours_of, self_repair_of
from fleet.desired.layers import Layer
from fleet.desired.surroundings import SilencePart
from fleet.model.settings import OutputSettings
from fleet.model.venue import (
    Between,
    Ceiling,
    Loudspeaker,
    Point,
    Position,
    Room,
    Silence,
    SubwooferPair,
    TimeAlign,
    Tolerances,
)


def furnished(position: Position, values: Layer) -> Position:
    """The position with its settled values in their places."""
    delay = values.get("delay")
    eq = cast(Chain | None, values.get("eq"))
    outputs = {
        **{name: values.get(name) for name in ("level_db", "mute", "polarity", "high_pass", "low_pass")},
        "eq": eq.bands if eq else None,
        "delay_ms": None if isinstance(delay, TimeAlign) else delay,
    }
    between = {name: value for name, value in outputs.items() if isinstance(value, Between)}
    fixed = cast(Any, {name: value for name, value in outputs.items() if name not in between})
    return replace(
        position,
        fixed=OutputSettings(**fixed),
        between=between,
        time_align=delay if isinstance(delay, TimeAlign) else None,
        target=eq.target if eq else None,
        listen_at_m=cast(Point | None, values.get("listen_at_m")),
        slots=cast(Mapping[str, int], values.get("slots", {})),
        input=cast(str | None, values.get("input")),
        panel_locked=cast(bool | None, values.get("panel_locked")),
        power_up_slot=cast(int | None, values.get("power_up_slot")),
        role=cast(str, values.get("role", "")),
        loudspeaker=cast(Loudspeaker | None, values.get("loudspeaker")),
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


def silence_of(parts: Iterable[SilencePart]) -> tuple[Silence, ...]:
    """What is silenced at a position or in a room."""
    return tuple(Silence(check=part.check, reason=part.reason) for part in parts)


def surrounded(room: Room, file: RoomFile) -> Room:
    """The room with what its file says of the sound beyond the devices."""
    return replace(
        room,
        listen_at_m=point_of(file.listen_at_m),
        max_level_db=file.max_level_db,
        exposure_hours=file.exposure_hours,
        subwoofer_pairs=tuple(SubwooferPair(**part.model_dump()) for part in file.subwoofer_pairs),
        ceiling=Ceiling(**file.ceiling.model_dump()) if file.ceiling else None,
        off_hours=tuple(hours_of(part) for part in file.off_hours),
        self_repair=self_repair_of(file.on_drift, file.nobody_near),
        silence=silence_of(file.silence),
    )
