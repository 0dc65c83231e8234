"""Checks of delays against coordinates: fills before or long after mains, delays that cannot be, air and weather."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final

from fleet.acoustics.air import absorption_db_per_m, travel_time_change_to_first_order_ms
from fleet.acoustics.delay import ms_of_m
from fleet.desired.arrivals import Arrivals, throw_m
from fleet.desired.finding import PRACTICE, Check, Design, Remark, Severity
from fleet.desired.members import equals_of_sets, fills, tops
from fleet.desired.wording import quoted
from fleet.model.venue import Position, Room
from fleet.reconcile.words import number

LATE_MS: Final = 20.0
ECHO_MS: Final = 30.0
GEOMETRY_MS: Final = 2.0
BEYOND_ROOM_MS: Final = 50.0
LONG_THROW_M: Final = 20.0
HIGH_HZ: Final = 8000.0
CHANGE_K: Final = 10.0
ROUNDING_MS: Final = 1e-3


def fill_early(design: Design) -> Iterator[Remark]:
    """A fill that is heard before what it fills in for."""
    for fill, main, late_ms in _behind(design):
        if late_ms < -ROUNDING_MS:
            early = f"{number(-late_ms)} ms"
            text = (
                f"{quoted(fill.name)} is heard {early} before {quoted(main.name)} at its listening point; delay it by "
                f"{early} more, and 5 to 15 ms on top"
            )
            yield Remark("error", fill, "delay_ms", text)


def fill_late(design: Design) -> Iterator[Remark]:
    """A fill that is heard so late after what it fills in for that it becomes an echo."""
    for fill, main, late_ms in _behind(design):
        if late_ms > LATE_MS + ROUNDING_MS:
            severity: Severity = "error" if late_ms > ECHO_MS + ROUNDING_MS else "warning"
            limit = ECHO_MS if severity == "error" else LATE_MS
            text = (
                f"{quoted(fill.name)} is heard {number(late_ms)} ms after {quoted(main.name)} at its listening point, "
                f"which is over {limit:g} ms"
            )
            yield Remark(severity, fill, "delay_ms", text)


def delay_geometry(design: Design) -> Iterator[Remark]:
    """A delay that contradicts the coordinates, measured by the others of its set or group."""
    for room in design.rooms():
        arrivals = Arrivals(design, room)
        yield from _apart_in_set(arrivals, room)
        yield from _unlike_siblings(arrivals, room)


def delay_negative(design: Design) -> Iterator[Remark]:
    """A computed delay that would have to be before the signal comes."""
    for room in design.rooms():
        arrivals = Arrivals(design, room)
        for position in room.positions.values():
            impossible = arrivals.impossible(position)
            if impossible is not None:
                text = f"{quoted(position.name)}: {impossible.what}. {impossible.remedy}"
                yield Remark("error", position, "time_align", text)


def delay_huge(design: Design) -> Iterator[Remark]:
    """A delay longer than the room."""
    for room in design.rooms():
        points = [point for p in room.positions.values() for point in (p.at_m, p.listen_at_m) if point is not None]
        if not points:
            continue
        lowest, highest = (tuple(pick(axis) for axis in zip(*points, strict=True)) for pick in (min, max))
        longest_m = math.dist(lowest, highest)
        limit = ms_of_m(longest_m, room.air_temperature_c) + BEYOND_ROOM_MS
        arrivals = Arrivals(design, room)
        for position in room.positions.values():
            delay = arrivals.delay_ms(position)
            if delay is not None and delay > limit + ROUNDING_MS:
                text = (
                    f"{quoted(position.name)} has a delay of {delay:.1f} ms, more than the room is long "
                    f"({longest_m:.1f} m and 50 ms: {limit:.1f} ms)"
                )
                yield Remark("warning", position, "delay_ms", text)


def temperature(design: Design) -> Iterator[Remark]:
    """Throws so long that the weather moves the arrival."""
    for room, farthest, throw, more in _long_throws(design):
        change = abs(float(travel_time_change_to_first_order_ms(throw, room.air_temperature_c, CHANGE_K)))
        text = f"{quoted(farthest.name)} plays over {throw:.1f} m{more}: 10 K move its arrival by {change:.2f} ms"
        yield Remark("note", farthest, "at_m", text)


def air_absorption(design: Design) -> Iterator[Remark]:
    """Throws so long that air takes high frequencies away."""
    for room, farthest, throw, more in _long_throws(design):
        lost = throw * float(absorption_db_per_m(HIGH_HZ, room.air_temperature_c))
        text = (
            f"{quoted(farthest.name)} plays over {throw:.1f} m{more}: at 8 kHz air takes {lost:.1f} dB "
            f"({room.air_temperature_c:g} °C, 50 % humidity)"
        )
        yield Remark("note", farthest, "at_m", text)


def _behind(design: Design) -> Iterator[tuple[Position, Position, float]]:
    """(fill, what it fills in for, how much later it is heard in ms), at the fill's listening point."""
    for room in design.rooms():
        arrivals = Arrivals(design, room)
        for fill in fills(room):
            own = arrivals.arrival_ms(fill, fill.listen_at_m)
            mains = [room.positions[fill.time_align.to]] if fill.time_align else tops(room)
            heard = [
                (time, main)
                for main in mains
                if main is not fill and (time := arrivals.arrival_ms(main, fill.listen_at_m)) is not None
            ]
            if own is not None and heard:
                time, main = min(heard, key=lambda each: each[0])
                yield fill, main, own - time


def _apart_in_set(arrivals: Arrivals, room: Room) -> Iterator[Remark]:
    for group, members in equals_of_sets(room):
        times = [(time, p) for p in members if (time := arrivals.arrival_ms(p, p.listen_at_m)) is not None]
        if len({p.listen_at_m for _, p in times}) != 1:
            continue
        (first, early), (last, late) = min(times, key=lambda t: t[0]), max(times, key=lambda t: t[0])
        if last - first > GEOMETRY_MS + ROUNDING_MS:
            text = (
                f"{quoted(late.name)} is heard {last - first:.1f} ms after {quoted(early.name)} at the listening "
                f"point, and both play as one set ({quoted(group)})"
            )
            yield Remark("warning", late, "delay_ms", text, (early,))


def _unlike_siblings(arrivals: Arrivals, room: Room) -> Iterator[Remark]:
    """A fixed delay in a group whose others are aligned: by the same alignment it would be another."""
    for group in room.groups.values():
        members = [room.positions[name] for name in group.positions]
        aligned = next((member for member in members if member.time_align is not None), None)
        if aligned is None or aligned.time_align is None:
            continue
        for member in members:
            set_ms = member.fixed.delay_ms
            wanted = arrivals.delay_aligned_ms(member, aligned.time_align)
            if set_ms is None or wanted is None or abs(set_ms - wanted) <= GEOMETRY_MS + ROUNDING_MS:
                continue
            text = (
                f"{quoted(member.name)} has a delay of {set_ms:g} ms, but aligned as {quoted(aligned.name)} is it "
                f"would have {wanted:.1f} ms by its coordinates"
            )
            yield Remark("warning", member, "delay_ms", text)


def _long_throws(design: Design) -> Iterator[tuple[Room, Position, float, str]]:
    """(room, position with the longest throw, its length, how many more are long) for rooms with throws over 20 m."""
    for room in design.rooms():
        throws = [(throw, p.name) for p in room.positions.values() if (throw := throw_m(p)) is not None]
        long = sorted(each for each in throws if each[0] > LONG_THROW_M + 1e-9)
        if long:
            throw, name = long[-1]
            yield room, room.positions[name], throw, f" ({len(long) - 1} more over 20 m)" if len(long) > 1 else ""


_ARRIVAL: Final = (
    "A sound arrives after its delay, the latency of its device (equal where unknown) and its way through air."
)

CHECKS: Final = (
    Check(
        name="fill-early",
        look=fill_early,
        severities=("error",),
        seeks="A fill that arrives at its listening point before what it is aligned to, else before the earliest top.",
        explains="What comes first is where sound seems to come from (precedence): the image jumps to the fill. "
        + _ARRIVAL
        + " A fill 6 m away under mains 24 m away wants 52.4 ms or more.",
        source="H. Haas, Acustica 1, 49-58 (1951); ISO 9613-1:1993, Annex A (speed of sound)",
    ),
    Check(
        name="fill-late",
        look=fill_late,
        severities=("warning", "error"),
        seeks="A fill that arrives more than 20 ms (warning) or 30 ms (error) after what it is aligned to, else after "
        "the earliest top.",
        explains="A late copy as loud as the first sound becomes an echo. " + _ARRIVAL,
        source="H. Haas, Acustica 1, 49-58 (1951) for fusion and echo; 20 and 30 ms: common practice, no published "
        "source",
    ),
    Check(
        name="delay-geometry",
        look=delay_geometry,
        severities=("warning",),
        seeks="Members of a coherent set, of one role, that arrive more than 2 ms apart at their listening point; and "
        "a fixed delay more than 2 ms off what the alignment of its group computes.",
        explains="2 ms are 0.69 m: more than coordinates are wrong by, and enough to hear. " + _ARRIVAL,
        source="ISO 9613-1:1993, Annex A (speed of sound); 2 ms: common practice, no published source",
    ),
    Check(
        name="delay-negative",
        look=delay_negative,
        severities=("error",),
        seeks="A `time_align` that computes a delay below 0 ms.",
        explains="No device plays before the signal comes: the other one has to be delayed, or the offset raised.",
        source="ISO 9613-1:1993, Annex A (speed of sound)",
        silenceable=False,
    ),
    Check(
        name="delay-huge",
        look=delay_huge,
        severities=("warning",),
        seeks="A delay of more than 50 ms over the time that sound takes across the room's coordinates.",
        explains="No loudspeaker of the room can need it. A delay that follows a picture may: silence it with that "
        "reason.",
        source=PRACTICE,
    ),
    Check(
        name="temperature",
        look=temperature,
        severities=("note",),
        seeks="Throws over 20 m, whose arrival the weather moves.",
        explains="Travel time falls by 0.17 % for each K: 20 m move by 0.99 ms for 10 K. Delays over long throws want "
        "an offset that tolerates it; they are not to be corrected for weather.",
        source="ISO 9613-1:1993, Annex A",
    ),
    Check(
        name="air-absorption",
        look=air_absorption,
        severities=("note",),
        seeks="Throws over 20 m, which lose high frequencies to air.",
        explains="Air takes high frequencies beyond spreading, more the drier it is: at 20 °C and 50 % humidity 105 "
        "dB a km at 8 kHz, 4.2 dB over 40 m.",
        source="ISO 9613-1:1993, 6.2 to 6.4",
    ),
)
