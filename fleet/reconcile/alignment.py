"""Time alignment: the delay that lets a position arrive when it should, from coordinates, temperature and latencies."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from fleet.acoustics.delay import distance_m, ms_of_m, speed_of_sound_m_s
from fleet.errors import BadInput
from fleet.model.names import Name
from fleet.model.venue import Point, Position, Room
from fleet.reconcile.words import ms


@dataclass(frozen=True, slots=True, kw_only=True)
class Alignment:
    """The delay that a `time_align` asks for, and everything it was worked out from.

    `delay_ms` is `travel_ms` (the difference of the two paths) + `offset_ms` + `reference_delay_ms` +
    `reference_latency_ms` - `latency_ms`.
    """

    to: Name
    reference_path_m: float
    path_m: float
    temperature_c: float
    speed_of_sound_m_s: float
    travel_ms: float
    offset_ms: float
    reference_delay_ms: float
    reference_latency_ms: float
    latency_ms: float
    delay_ms: float


def alignment_delay_ms(room: Room, position: str, latencies_ms: Mapping[str, float]) -> float:
    """The delay in ms that a position's `time_align` asks for. See `alignment`."""
    return _delay_ms(room, position, latencies_ms, ())


def alignment(room: Room, position: str, latencies_ms: Mapping[str, float]) -> Alignment:
    """The delay in ms that a position's `time_align` asks for, worked out.

    (path from the named position to the listening point - path from this one) / speed of sound at the room's
    temperature + offset + the named position's own delay (0 where none is given) + its latency - this one's latency.
    `latencies_ms` is by device id. Raises `BadInput`: a point or latency missing, a circle, a negative result.
    """
    return _aligned(room, position, latencies_ms, ())


def _delay_ms(room: Room, name: str, latencies_ms: Mapping[str, float], trail: tuple[str, ...]) -> float:
    position = room.positions[name]
    if position.time_align is None:
        return position.fixed.delay_ms or 0.0
    return _aligned(room, name, latencies_ms, trail).delay_ms


def _aligned(room: Room, name: str, latencies_ms: Mapping[str, float], trail: tuple[str, ...]) -> Alignment:
    position = room.positions[name]
    align = position.time_align
    where = f"{room.name}/{name}"
    if align is None:
        raise BadInput("has no time_align", where=where)
    if name in trail:
        raise BadInput(f"time_align goes in a circle: {' to '.join([*trail, name])}", where=where)
    reference = room.positions.get(align.to)
    if reference is None:
        raise BadInput(f"time_align names {align.to!r}, which is no position of this room", where=where)
    listener = position.listen_at_m
    if listener is None:
        raise BadInput("time_align needs a listening point", where=where, remedy="Give listen_at_m")
    reference_path_m, path_m = distance_m(_point(reference), listener), distance_m(_point(position), listener)
    travel_ms = ms_of_m(reference_path_m - path_m, room.air_temperature_c)
    reference_latency_ms, latency_ms = _latency_ms(reference, latencies_ms), _latency_ms(position, latencies_ms)
    reference_delay_ms = _delay_ms(room, align.to, latencies_ms, (*trail, name))
    delay_ms = travel_ms + align.offset_ms + reference_delay_ms + (reference_latency_ms - latency_ms)
    if delay_ms < 0:
        raise BadInput(
            f"aligned to {align.to} it would have to play {ms(-delay_ms)} before the signal comes",
            where=where,
            remedy=f"Delay {align.to} by as much, or raise offset_ms",
        )
    return Alignment(
        to=align.to,
        reference_path_m=reference_path_m,
        path_m=path_m,
        temperature_c=room.air_temperature_c,
        speed_of_sound_m_s=speed_of_sound_m_s(room.air_temperature_c),
        travel_ms=travel_ms,
        offset_ms=align.offset_ms,
        reference_delay_ms=reference_delay_ms,
        reference_latency_ms=reference_latency_ms,
        latency_ms=latency_ms,
        delay_ms=delay_ms,
    )


def _point(position: Position) -> Point:
    if position.at_m is None:
        raise BadInput(
            "time_align needs to know where it is", where=f"{position.room}/{position.name}", remedy="Give at_m"
        )
    return position.at_m


def _latency_ms(position: Position, latencies_ms: Mapping[str, float]) -> float:
    try:
        return latencies_ms[position.device]
    except KeyError:
        raise BadInput(
            f"{position.device} has not told its latency, which time_align needs",
            where=f"{position.room}/{position.name}",
            remedy="Try again when it is reachable, or give a measured delay_ms",
        ) from None
