"""A 70.7 V or 100 V line: load, share of the amplifier, cable loss."""

from __future__ import annotations

from collections.abc import Sequence

from fleet.acoustics import cables, line_loss, lines
from fleet.errors import BadInput
from fleet.services.calculators.answer import Answer, Value, asked

RESERVE = 0.2
CAUTIONS = (
    "Lines of 70 V and 100 V are for qualified persons; switch off, wait and verify before touching one.",
    "The share keeps a reserve of 20 %, which is common practice and no standard. Local electrical codes decide.",
)


def loads_of(texts: Sequence[str]) -> list[float]:
    """Taps in W from texts such as `6x10`: six loudspeakers at 10 W. Raises `BadInput`."""
    taps: list[float] = []
    for text in texts:
        count, cross, tap = text.lower().partition("x")
        try:
            number, watts = (int(count), float(tap)) if cross else (1, float(count))
        except ValueError:
            raise BadInput(f"--loudspeaker {text!r} is not COUNTxWATTS, such as 6x10") from None
        if not 0 < number <= 1000:
            raise BadInput(f"--loudspeaker {text!r}: the count must be 1 to 1000")
        taps += [watts] * number
    if not taps:
        raise BadInput("no --loudspeaker was given", remedy="Write six at 10 W as --loudspeaker 6x10")
    return taps


def line(
    volts: float,
    amplifier_w: float,
    loudspeakers: Sequence[str],
    *,
    cable_m: float | None = None,
    cable_mm2: float | None = None,
) -> Answer:
    """Load of a line, and the loss of its cable, if given, with all of the load at its far end (the worst case)."""
    if (cable_m is None) != (cable_mm2 is None):
        raise BadInput("--cable-m and --cable-mm2 belong together")
    taps = loads_of(loudspeakers)
    with asked(
        taps_w="--loudspeaker",
        line_v="--volts",
        amplifier_w="--amplifier-w",
        length_m="--cable-m",
        section_mm2="--cable-mm2",
    ):
        load_w = lines.load_power_w(taps)
        load_ohm = lines.load_impedance_ohm(taps, volts)
        used = 100 * lines.amplifier_share(load_w, amplifier_w, reserve=0.0)
        allowed_w = lines.allowed_load_w(amplifier_w, reserve=RESERVE)
        values: dict[str, Value] = {
            "load_w": load_w,
            "load_ohm": load_ohm,
            "used_percent": used,
            "allowed_w": allowed_w,
            "cable_loop_ohm": None,
            "cable_loss_db": None,
        }
        if cable_m is not None and cable_mm2 is not None:
            loop = cables.loop_ohm(cable_m, cables.conductor_ohm_per_m(cable_mm2))
            values["cable_loop_ohm"] = loop
            values["cable_loss_db"] = float(line_loss.lumped_loss_db(load_ohm, loop))
    cautions = CAUTIONS if load_w <= allowed_w else (*CAUTIONS, "The load leaves no such reserve.")
    return Answer(
        values=values,
        formula="Z = V² / P; loss = 20 lg(1 + R / Z) with R both conductors, all load at the far end",
        source="constant-voltage practice (70.7 V is 100 V peak); cable: IEC 60228 class 5 at 20 °C",
        cautions=cautions,
    )
