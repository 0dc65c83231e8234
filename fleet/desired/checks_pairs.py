"""Checks of two subwoofers that steer together: gradient and end-fire pairs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

from fleet.acoustics.delay import distance_m
from fleet.acoustics.subwoofers import Pair, gradient_pair, pair_response_db, spacing_delay_ms
from fleet.desired.finding import PRACTICE, Check, Design, Remark
from fleet.desired.responses import Equaliser
from fleet.desired.wording import quoted
from fleet.model.listing import listed
from fleet.model.venue import Position, Room, SubwooferPair

DELAY_MS: Final = 0.1
LEVEL_DB: Final = 1.0
SPACING_M: Final = 0.1
HEARD_HZ: Final = 60.0
"""Where the cost of a mistake is told."""
REAR_DEG: Final = 180.0
ROUNDING: Final = 1e-6


@dataclass(frozen=True, slots=True)
class _Boxes:
    pair: SubwooferPair
    front: Position
    rear: Position
    temperature_c: float
    latency_ms: float
    """Of the rear box beyond that of the front one."""


def gradient(design: Design) -> Iterator[Remark]:
    """A gradient pair that is not set as one."""
    for boxes in _boxes(design, "gradient"):
        if boxes.rear.fixed.polarity is None or boxes.rear.fixed.polarity == (boxes.front.fixed.polarity or "normal"):
            yield _wrong(boxes, "polarity", f"must be inverted against {quoted(boxes.front.name)}; {_backwards(boxes)}")
        yield from _delay(boxes, boxes.rear, boxes.front, boxes.latency_ms)
        yield from _alike(boxes)


def end_fire(design: Design) -> Iterator[Remark]:
    """An end-fire pair that is not set as one."""
    for boxes in _boxes(design, "end_fire"):
        polarities = {(each.fixed.polarity or "normal") for each in (boxes.front, boxes.rear)}
        if len(polarities) > 1:
            text = f"must have the polarity of {quoted(boxes.front.name)}: an end-fire pair inverts nothing"
            yield _wrong(boxes, "polarity", text)
        yield from _delay(boxes, boxes.front, boxes.rear, -boxes.latency_ms)
        yield from _alike(boxes)


def pair_spacing(design: Design) -> Iterator[Remark]:
    """A spacing that contradicts the coordinates of the pair."""
    for boxes in (*_boxes(design, "gradient"), *_boxes(design, "end_fire")):
        if boxes.front.at_m is None or boxes.rear.at_m is None:
            continue
        apart = distance_m(boxes.front.at_m, boxes.rear.at_m)
        if abs(apart - boxes.pair.spacing_m) > SPACING_M + ROUNDING:
            text = (
                f"{quoted(boxes.front.name)} and {quoted(boxes.rear.name)} are {apart:.2f} m apart by their `at_m`, "
                f"but their pair has a `spacing_m` of {boxes.pair.spacing_m:g} m"
            )
            yield Remark("warning", boxes.rear, "at_m", text, (boxes.front,))


def _boxes(design: Design, kind: str) -> Iterator[_Boxes]:
    for room in design.rooms():
        for pair in room.subwoofer_pairs:
            if pair.kind == kind:
                front, rear = room.positions[pair.front], room.positions[pair.rear]
                yield _Boxes(pair, front, rear, room.air_temperature_c, _latency_ms(design, room, pair))


def _latency_ms(design: Design, room: Room, pair: SubwooferPair) -> float:
    front, rear = (design.descriptions.get(room.positions[name].device) for name in (pair.front, pair.rear))
    return rear.latency_ms - front.latency_ms if front and rear else 0.0


def _delay(boxes: _Boxes, later: Position, other: Position, latency_ms: float) -> Iterator[Remark]:
    wanted = spacing_delay_ms(boxes.pair.spacing_m, boxes.temperature_c)
    if later.fixed.delay_ms is None:
        text = f"must be {wanted:.2f} ms later than {quoted(other.name)}, but its delay is not a fixed one"
        yield Remark("error", later, "delay_ms", _head(later, boxes) + text, (other,))
        return
    error = later.fixed.delay_ms - (other.fixed.delay_ms or 0.0) + latency_ms - wanted
    if abs(error) > DELAY_MS + ROUNDING:
        way = "late" if error > 0 else "early"
        text = (
            f"must be {wanted:.2f} ms later than {quoted(other.name)} ({boxes.pair.spacing_m:g} m of air), and is "
            f"{abs(error):.2f} ms too {way}{_rear_left(boxes, late_ms=error)}"
        )
        yield Remark("error", later, "delay_ms", _head(later, boxes) + text, (other,))


def _alike(boxes: _Boxes) -> Iterator[Remark]:
    front, rear = boxes.front.fixed, boxes.rear.fixed
    if front.level_db is not None and rear.level_db is not None:
        mismatch = rear.level_db - front.level_db
        if abs(mismatch) > LEVEL_DB + ROUNDING:
            way = "above" if mismatch > 0 else "below"
            cost = _rear_left(boxes, louder_db=mismatch)
            yield _wrong(boxes, "level_db", f"is {abs(mismatch):.1f} dB {way} {quoted(boxes.front.name)}{cost}")
    unlike = ["eq"] if Equaliser.of(boxes.front) != Equaliser.of(boxes.rear) else []
    unlike += [name for name in ("high_pass", "low_pass") if getattr(front, name) != getattr(rear, name)]
    if unlike:
        names = listed([quoted(name) for name in unlike])
        yield _wrong(boxes, unlike[0], f"must have the same {names} as {quoted(boxes.front.name)}")


def _rear_left(boxes: _Boxes, *, late_ms: float = 0.0, louder_db: float = 0.0) -> str:
    """What a gradient pair that is off by so much leaves to the rear; an end-fire pair has no null to lose."""
    if boxes.pair.kind != "gradient":
        return ""
    perfect = gradient_pair(boxes.pair.spacing_m, boxes.temperature_c)
    off = replace(perfect, rear_delay_ms=max(0.0, perfect.rear_delay_ms + late_ms), rear_level_db=louder_db)
    left = float(pair_response_db(off, HEARD_HZ, REAR_DEG, boxes.temperature_c))
    return f": at {HEARD_HZ:g} Hz the rear is left with {left:.1f} dB re one box"


def _backwards(boxes: _Boxes) -> str:
    delay = spacing_delay_ms(boxes.pair.spacing_m, boxes.temperature_c)
    upright = Pair(boxes.pair.spacing_m, rear_delay_ms=delay)
    front, rear = (float(pair_response_db(upright, HEARD_HZ, angle, boxes.temperature_c)) for angle in (0.0, REAR_DEG))
    return f"else it plays backwards (at {HEARD_HZ:g} Hz {front:+.2f} dB to the front, {rear:+.2f} dB to the rear)"


def _wrong(boxes: _Boxes, setting: str, text: str) -> Remark:
    return Remark("error", boxes.rear, setting, _head(boxes.rear, boxes) + text, (boxes.front,))


def _head(position: Position, boxes: _Boxes) -> str:
    kind = "a gradient" if boxes.pair.kind == "gradient" else "an end-fire"
    place = "rear" if position is boxes.rear else "front"
    return f"{quoted(position.name)}, the {place} of {kind} pair, "


_SAME: Final = (
    "Both want equal levels within 1 dB and the same filters; the delay is the spacing by the speed of sound at the "
    "room's temperature, within 0.1 ms. At 1 m and 20 °C it is 2.91 ms."
)
_OLSON: Final = (
    "H. F. Olson, Gradient microphones, JASA 17(3), 192-198 (1946), by reciprocity; ISO 9613-1:1993, Annex A"
)

CHECKS: Final = (
    Check(
        name="gradient-pair",
        look=gradient,
        severities=("error",),
        seeks="A pair of `kind: gradient` whose rear box is not inverted, not later by the spacing, or not alike.",
        explains="Delayed and inverted, the rear box cancels the front one to the rear. 1 dB between them leaves "
        "-19.3 dB there; without the inversion the pair plays backwards: at 1 m and 60 Hz -0.8 dB to the front and "
        "+6.0 dB to the rear. " + _SAME,
        source=_OLSON,
    ),
    Check(
        name="end-fire-pair",
        look=end_fire,
        severities=("error",),
        seeks="A pair of `kind: end_fire` with an inversion, whose front box is not later by the spacing, or not "
        "alike.",
        explains="With the front box delayed both arrive at once in front, 6 dB up at every frequency. An inversion "
        "would cancel exactly that. " + _SAME,
        source=_OLSON,
    ),
    Check(
        name="pair-spacing",
        look=pair_spacing,
        severities=("warning",),
        seeks="A pair whose `spacing_m` is more than 0.1 m off the coordinates of its boxes.",
        explains="The delay of the pair comes from the spacing: 0.1 m are 0.29 ms, and at 60 Hz the rear is left with "
        "-19 dB.",
        source=PRACTICE,
    ),
)
