"""What a line takes, loses and has recorded of its taps: the figures that checks, room view and hand-over share.

The loss is the worst case, with the whole load at the far end of the cable, and flexible copper at 20 °C.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from fleet.acoustics.cables import OHM_PER_KM, conductor_ohm_per_m, loop_ohm
from fleet.acoustics.impedances import parallel_ohm, series_ohm
from fleet.acoustics.line_loss import lumped_loss_db
from fleet.acoustics.lines import load_impedance_ohm, tap_power_on_other_line_w
from fleet.desired.finding import Design
from fleet.model.passive import Line
from fleet.model.venue import Position


@dataclass(frozen=True, slots=True, kw_only=True)
class LineFigures:
    """A line in figures. `share` is its load as a part of what its output has; `None` is not known.

    `set` and `checked` count the loudspeakers whose tap is recorded as such, of `count`.
    """

    count: int
    load_w: float | None
    load_ohm: float
    share: float | None
    loss_db: float | None
    set: int
    checked: int


def figures(line: Line) -> LineFigures:
    """The figures of a line."""
    load = load_w(line)
    return LineFigures(
        count=sum(each.count for each in line.loudspeakers),
        load_w=load,
        load_ohm=load_ohm(line),
        share=load / line.amplifier_w if load is not None and line.amplifier_w else None,
        loss_db=loss_db(line),
        set=sum(each.count for each in line.loudspeakers if each.set),
        checked=sum(each.count for each in line.loudspeakers if each.checked),
    )


def lines(design: Design) -> Iterator[tuple[Position, Line]]:
    """Positions with a line; life-safety ones are checked by those who approve them."""
    for position in design.ours():
        if position.line is not None:
            yield position, position.line


def taps_w(line: Line) -> list[float]:
    """What each set of equal loudspeakers really takes from a line of so many volts, in W."""
    taken = []
    for each in line.loudspeakers:
        tap_w, volts = each.tap_w or 0.0, line.volts or 0.0
        real = float(tap_power_on_other_line_w(tap_w, each.tap_volts, volts)) if each.tap_volts else tap_w
        taken.append(each.count * real)
    return taken


def load_w(line: Line) -> float | None:
    """What the loudspeakers take at most, in W: by their taps, or at low impedance by what their types stand."""
    if line.volts is not None:
        return sum(taps_w(line))
    powers = [each.count * each.type.power_w for each in line.loudspeakers if each.type and each.type.power_w]
    return sum(powers) if len(powers) == len(line.loudspeakers) else None


def load_ohm(line: Line) -> float:
    """The rated impedance of all loudspeakers together."""
    if line.volts is not None:
        return load_impedance_ohm(taps_w(line), line.volts)
    if line.wiring == "series":
        return series_ohm([each.count * each.ohm for each in line.loudspeakers if each.ohm])
    return parallel_ohm([each.ohm / each.count for each in line.loudspeakers if each.ohm])


def loss_db(line: Line) -> float | None:
    """What the cable takes away; `None` where length or section is not given, or the table lists no such section."""
    if line.cable_m is None or line.cable_mm2 is None or line.cable_mm2 not in OHM_PER_KM[5]:
        return None
    return float(lumped_loss_db(load_ohm(line), loop_ohm(line.cable_m, conductor_ohm_per_m(line.cable_mm2))))
