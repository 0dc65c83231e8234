"""Checks of passive loudspeakers against their types: the amplifier's preset, protection, power, impedance, taps."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from fleet.desired.finding import PRACTICE, Check, Design, Remark
from fleet.desired.taps import figures, lines, taps_w
from fleet.desired.wording import quoted
from fleet.model.passive import Line, LoudspeakerType
from fleet.model.settings import corner_hz
from fleet.model.venue import Position

MOST_POWER: Final = 2.0
"""Amplifier power over what a loudspeaker stands continuously, at low impedance."""
ROUNDING: Final = 1e-9


def amplifier_preset(design: Design) -> Iterator[Remark]:
    """An amplifier that is not desired to be in the preset slot that is made for its loudspeakers."""
    for position, line in lines(design):
        for kind in line.types():
            preset = kind.amplifier_preset
            if preset is None:
                continue
            head = f"{quoted(kind.name)} at {quoted(position.name)} wants amplifier preset {_preset(preset)}"
            slots = _slots(design, position)
            if not slots:
                text = f"{head}, but no slot is desired there; give that `slot`"
                yield Remark("error", position, "line", text)
            for slot in sorted(slots):
                name = design.slot_names.get(position.device, {}).get(slot)
                if isinstance(preset, str) and name is None:
                    text = f"{head}; whether slot {slot} is that was not told by {quoted(position.device)}"
                    yield Remark("note", position, "slot", text)
                elif preset not in (slot, name):
                    called = f" ({quoted(name)})" if name else ""
                    yield Remark("error", position, "slot", f"{head}, but slot {slot}{called} is desired there")


def passive_protection(design: Design) -> Iterator[Remark]:
    """A passive loudspeaker without the high-pass that keeps it whole."""
    for position, line in lines(design):
        high = position.fixed.high_pass
        protected_hz = max(corner_hz(high), _device_protects_hz(design, position))
        for kind in line.types():
            needed_hz = kind.protective_high_pass_hz
            if needed_hz is not None and protected_hz < needed_hz - ROUNDING:
                has = f"only one of {protected_hz:g} Hz" if protected_hz else "none"
                text = (
                    f"{quoted(kind.name)} at {quoted(position.name)} needs a `high_pass` of {needed_hz:g} Hz or more "
                    f"for its protection, and has {has}"
                )
                yield Remark("error", position, "high_pass" if high else "line", text)


def loudspeaker_power(design: Design) -> Iterator[Remark]:
    """A tap or an amplifier that gives a loudspeaker more than it stands."""
    for position, line in lines(design):
        for kind, given_w in _powers(line):
            most_w = (kind.power_w or 0.0) * (1.0 if line.volts is not None else MOST_POWER)
            if kind.power_w is not None and given_w > most_w + ROUNDING:
                source = "its tap" if line.volts is not None else "the amplifier"
                stands = f"it stands {kind.power_w:g} W"
                text = (
                    f"{source} gives each {quoted(kind.name)} at {quoted(position.name)} {given_w:.1f} W, and {stands}"
                )
                yield Remark("warning", position, "line", text)


def loudspeaker_impedance(design: Design) -> Iterator[Remark]:
    """An impedance at a position that is not that of the loudspeaker's type."""
    for position, line in lines(design):
        for each in line.loudspeakers:
            rated = each.type.impedance_ohm if each.type else None
            if each.type and each.ohm is not None and rated is not None and abs(each.ohm - rated) > ROUNDING:
                text = (
                    f"{quoted(position.name)} gives its {quoted(each.type.name)} {each.ohm:g} ohm, and the type says "
                    f"{rated:g} ohm; one of them is wrong"
                )
                yield Remark("warning", position, "line", text)


def tap_record(design: Design) -> Iterator[Remark]:
    """A tap schedule that somebody began and nobody finished, or that nobody but its author looked at."""
    for position, line in lines(design):
        found = figures(line)
        if found.set and found.checked < found.count:
            text = (
                f"of {found.count} taps on the line of {quoted(position.name)} {found.set} are recorded as set and "
                f"{found.checked} as checked"
            )
            yield Remark("note", position, "line", text)
        for each in line.loudspeakers:
            if each.set and each.checked and each.set.by.casefold() == each.checked.by.casefold():
                text = (
                    f"the {each.tap_w:g} W taps on the line of {quoted(position.name)} were checked by the one who set "
                    f"them, {quoted(each.set.by)}; let somebody else look"
                )
                yield Remark("note", position, "line", text)


def _preset(preset: int | str) -> str:
    return quoted(preset) if isinstance(preset, str) else str(preset)


def _slots(design: Design, position: Position) -> set[int]:
    """The slots that may be desired there: one where the model is known, else whatever the files name."""
    described = design.descriptions.get(position.device)
    if described is None:
        return set(position.slots.values())
    slot = position.slot_for(described.model)
    return {slot} if slot is not None else set()


def _device_protects_hz(design: Design, position: Position) -> float:
    described = design.descriptions.get(position.device)
    output = described.output(position.output) if described else None
    return (output.protective_high_pass_hz if output else None) or 0.0


def _powers(line: Line) -> Iterator[tuple[LoudspeakerType, float]]:
    """What each loudspeaker with a type is given, in W: by its tap, or its part of what the amplifier has."""
    if line.volts is not None:
        for each, taken in zip(line.loudspeakers, taps_w(line), strict=True):
            if each.type is not None:
                yield each.type, taken / each.count
        return
    series = line.wiring == "series"
    weights = [(each, each.ohm if series else 1 / each.ohm) for each in line.loudspeakers if each.ohm]
    whole = sum(each.count * weight for each, weight in weights)
    for each, weight in weights:
        if each.type is not None and line.amplifier_w is not None:
            yield each.type, line.amplifier_w * weight / whole


CHECKS: Final = (
    Check(
        name="amplifier-preset",
        look=amplifier_preset,
        severities=("error", "note"),
        seeks="An amplifier whose desired slot is not the `amplifier_preset` of the loudspeakers behind it.",
        explains="A preset made for one loudspeaker has its filters, limits and gain; another loudspeaker behind it "
        "sounds wrong or breaks. With the right `slot` desired, an amplifier in any other is a serious difference. A "
        "preset given by name is compared with the names that the device tells; a note says where it told none.",
        source=PRACTICE,
    ),
    Check(
        name="passive-protection",
        look=passive_protection,
        severities=("error",),
        seeks="A loudspeaker whose type has a `protective_high_pass_hz`, behind an output without a managed high-pass "
        "of at least that.",
        explains="Below its tuning a driver moves without giving sound, until it hits its limits. A high-pass that the "
        "amplifier itself says it keeps in that output counts too.",
        source=PRACTICE,
        silenceable=False,
    ),
    Check(
        name="loudspeaker-power",
        look=loudspeaker_power,
        severities=("warning",),
        seeks="A tap above the `power_w` of its loudspeaker's type; at low impedance an amplifier with more than twice "
        "that for each loudspeaker.",
        explains="In parallel the power divides as 1 / Z, in series as Z. Twice the continuous power leaves room for "
        "peaks; 200 W on two loudspeakers of 50 W are just that.",
        source=PRACTICE,
    ),
    Check(
        name="loudspeaker-impedance",
        look=loudspeaker_impedance,
        severities=("warning",),
        seeks="An `ohm` at a position that differs from the `impedance_ohm` of the loudspeaker's type.",
        explains="Load, loss and power are computed from it: 4 ohm in place of 8 ohm double them.",
        source=PRACTICE,
    ),
    Check(
        name="tap-record",
        look=tap_record,
        severities=("note",),
        seeks="A line whose tap schedule is begun and not finished, or checked by the one who set the taps.",
        explains="A tap that was left as delivered is loud or silent among its neighbours, and hides above a ceiling. "
        "Who set it and who else looked at it is the only proof without a ladder.",
        source=PRACTICE,
    ),
)
