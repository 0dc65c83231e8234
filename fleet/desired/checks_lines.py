"""Checks of what amplifiers feed: 70 V and 100 V lines, their taps and cables, and loads at low impedance."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from typing import Final

from fleet.acoustics.cables import OHM_PER_KM
from fleet.acoustics.impedances import can_drive
from fleet.acoustics.lines import allowed_load_w, line_voltage_v, tap_change_db, tap_power_on_other_line_w
from fleet.desired.finding import PRACTICE, Check, Design, Remark, Severity, some
from fleet.desired.taps import lines, load_ohm, load_w, loss_db, taps_w
from fleet.desired.wording import quoted
from fleet.model.listing import listed
from fleet.model.passive import Line
from fleet.model.settings import corner_hz
from fleet.model.venue import Position

RESERVE: Final = 0.2
LOSS_WARNING_DB: Final = 0.5
LOSS_ERROR_DB: Final = 1.0
LOWEST_HIGH_PASS_HZ: Final = 50.0
TRANSFORMER_V: Final = 50.0
"""Lines from here on feed transformers."""
ROUNDING: Final = 1e-9


def line_load(design: Design) -> Iterator[Remark]:
    """Taps that together take more than the amplifier has, or more than a reserve leaves."""
    for position, line in lines(design):
        if line.volts is None or line.amplifier_w is None:
            continue
        load, full = sum(taps_w(line)), line.amplifier_w
        head = f"the line of {quoted(position.name)} takes {load:g} W"
        if load > full + ROUNDING:
            text = f"{head}, more than the {full:g} W of its output"
            yield Remark("error", position, "line", text)
        elif load > allowed_load_w(full, reserve=RESERVE) + ROUNDING:
            text = f"{head} of {full:g} W ({100 * load / full:.0f} %); keep 20 % in reserve"
            yield Remark("warning", position, "line", text)


def line_loss(design: Design) -> Iterator[Remark]:
    """A cable that takes away more than half a decibel."""
    for position, line in lines(design):
        if line.cable_m is None or line.cable_mm2 is None:
            continue
        if line.cable_mm2 not in OHM_PER_KM[5]:
            sections = ", ".join(f"{section:g}" for section in OHM_PER_KM[5])
            text = (
                f"the loss of the line of {quoted(position.name)} was not computed: IEC 60228 class 5 lists "
                f"{sections} mm², not {line.cable_mm2:g}"
            )
            yield Remark("note", position, "line", text)
            continue
        loss = loss_db(line) or 0.0
        if loss > LOSS_WARNING_DB + ROUNDING:
            severity: Severity = "error" if loss > LOSS_ERROR_DB + ROUNDING else "warning"
            limit = LOSS_ERROR_DB if severity == "error" else LOSS_WARNING_DB
            text = (
                f"{line.cable_m:g} m of {line.cable_mm2:g} mm² cost the line of {quoted(position.name)} {loss:.2f} dB, "
                f"over {limit:g} dB; take a thicker cable or smaller taps"
            )
            yield Remark(severity, position, "line", text)


def line_tap(design: Design) -> Iterator[Remark]:
    """Taps whose watts are stated for another line voltage."""
    for position, line in lines(design):
        for each in line.loudspeakers:
            if line.volts is None or each.tap_w is None or each.tap_volts is None:
                continue
            taken = float(tap_power_on_other_line_w(each.tap_w, each.tap_volts, line.volts))
            if line_voltage_v(each.tap_volts) == line_voltage_v(line.volts):
                continue
            severity: Severity = "error" if taken > each.tap_w else "warning"
            text = (
                f"a {each.tap_w:g} W tap for {each.tap_volts:g} V takes {taken:.1f} W from the {line.volts:g} V line "
                f"of {quoted(position.name)} ({float(tap_change_db(each.tap_w, taken)):+.1f} dB)"
            )
            yield Remark(severity, position, "line", text)


def line_high_pass(design: Design) -> Iterator[Remark]:
    """A transformer line without a high-pass that keeps its cores from saturating."""
    for position, line in lines(design):
        high = position.fixed.high_pass
        if line.volts is None or line.volts < TRANSFORMER_V:
            continue
        corner = corner_hz(high)
        if corner < LOWEST_HIGH_PASS_HZ:
            has = f"only one of {corner:g} Hz" if corner else "none"
            text = (
                f"the {line.volts:g} V line of {quoted(position.name)} wants a `high_pass` of 50 Hz or more, and has "
                f"{has}: transformer cores saturate"
            )
            yield Remark("warning", position, "high_pass" if high else "line", text)


def load_low(design: Design) -> Iterator[Remark]:
    """Loudspeakers together below what the amplifier may drive."""
    for position, line in lines(design):
        if line.volts is not None or line.amplifier_min_ohm is None:
            continue
        load = load_ohm(line)
        if not can_drive(load, line.amplifier_min_ohm):
            text = (
                f"{quoted(position.name)} loads its output with {load:.2f} ohm; it may have "
                f"{line.amplifier_min_ohm:g} ohm or more"
            )
            yield Remark("error", position, "line", text)


def line_total(design: Design) -> Iterator[Remark]:
    """Outputs of one device that together take more than it has in all."""
    sharing: dict[str, list[tuple[Position, Line]]] = defaultdict(list)
    for position, line in lines(design):
        sharing[position.device].append((position, line))
    for device, members in sharing.items():
        totals = {line.amplifier_total_w: position for position, line in members if line.amplifier_total_w is not None}
        if not totals:
            continue
        total_w, position = min(totals.items(), key=lambda each: each[0])
        if len(totals) > 1:
            given = listed([f"{watts:g} W at {quoted(totals[watts].name)}" for watts in sorted(totals)])
            yield Remark("error", position, "line", f"{quoted(device)} is given {given} in all; only one can be right")
            continue
        loads = {member.name: load_w(line) for member, line in members}
        known = [load for load in loads.values() if load is not None]
        unknown = [name for name, load in loads.items() if load is None]
        beside = f", {some(unknown)} not counted" if unknown else ""
        head = f"the outputs of {quoted(device)} take {sum(known):g} W together"
        if sum(known) > total_w + ROUNDING:
            yield Remark("error", position, "line", f"{head}, more than the {total_w:g} W that it has in all{beside}")
        elif sum(known) > allowed_load_w(total_w, reserve=RESERVE) + ROUNDING:
            share = f"{100 * sum(known) / total_w:.0f} %"
            yield Remark(
                "warning", position, "line", f"{head} of {total_w:g} W ({share}){beside}; keep 20 % in reserve"
            )


CHECKS: Final = (
    Check(
        name="line-load",
        look=line_load,
        severities=("error", "warning"),
        seeks="Taps of a line that together take more than the amplifier's output has (error) or than 80 % of it "
        "(warning).",
        explains="Overloaded, an amplifier limits or switches off, and the line falls silent. 210 W on 250 W are 84 %.",
        source="R. Elliott, High Voltage Audio Systems; 20 % in reserve: common practice, no published source",
    ),
    Check(
        name="line-total",
        look=line_total,
        severities=("error", "warning"),
        seeks="Outputs of one device whose loads together are more than its `amplifier_total_w` (error) or than 80 % "
        "of it (warning).",
        explains="Amplifiers with several outputs often share one supply: each output may have its full power, but not "
        "all at once. A line takes the sum of its taps, loudspeakers at low impedance the `power_w` of their types; "
        "what has neither is named and not counted.",
        source=PRACTICE,
    ),
    Check(
        name="line-loss",
        look=line_loss,
        severities=("error", "warning", "note"),
        seeks="A cable whose loss is over 0.5 dB (warning) or 1 dB (error), by `cable_m` and `cable_mm2`.",
        explains="20 lg((Z + R) / Z) with the whole load at the far end, which is the worst case, and flexible copper "
        "at 20 °C. 200 W at 100 V over 100 m of 1.5 mm² lose 0.45 dB, at 70.7 V 0.88 dB. A section that the table "
        "does not list is noted.",
        source="IEC 60228 class 5 (resistance); 0.5 and 1 dB: common practice, no published source",
    ),
    Check(
        name="line-tap",
        look=line_tap,
        severities=("error", "warning"),
        seeks="A tap whose `tap_volts` is another voltage than the line's.",
        explains="P = V² / Z: a 70.7 V tap takes twice its watts from a 100 V line (+3.0 dB; error), a 100 V tap half "
        "of them from a 70.7 V line (warning).",
        source="R. Elliott, High Voltage Audio Systems",
    ),
    Check(
        name="line-high-pass",
        look=line_high_pass,
        severities=("warning",),
        seeks="A line of 50 V or more without a managed high-pass of at least 50 Hz.",
        explains="Flux in a transformer core goes with voltage over frequency: half the frequency doubles it. A "
        "saturated core is close to a short circuit.",
        source=PRACTICE,
    ),
    Check(
        name="load-low",
        look=load_low,
        severities=("error",),
        seeks="Loudspeakers whose rated impedance together is below `amplifier_min_ohm`.",
        explains="In parallel 1 / Z is the sum of all 1 / Zi: four of 16 ohm are 4 ohm, five are 3.2 ohm; in series Z "
        "is the sum of all. Rated impedances may dip to 80 %, which amplifiers allow for in their stated minimum.",
        source="IEC 60268-5 (80 %)",
    ),
)
