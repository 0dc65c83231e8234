"""What one output reports, as people would write it, and whether a written value would come out as reported."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any, Final, TypeAlias

from fleet.errors import BadInput
from fleet.model.description import Description, OutputDescription, Range
from fleet.model.listing import listed
from fleet.model.names import shown
from fleet.model.settings import (
    DEVICE_SETTINGS,
    OUTPUT_SETTINGS,
    STORABLE,
    Band,
    Crossover,
    DeviceSettings,
    OutputSettings,
    corner_hz,
)
from fleet.model.state import OURS_OR_PANEL, Reported
from fleet.reconcile.exact import ROUNDING
from fleet.reconcile.wanted import Represent
from fleet.reconcile.words import SETTING_WORDS, hz

Value: TypeAlias = "float | bool | str | int | tuple[Band, ...] | Crossover"
FEW_DIGITS: Final = 3
MOST_DIGITS: Final = 9


@dataclass(slots=True)
class CapturedOutput:
    """An output under capture: the position it gets, its settings as they would be written, what is to be told of it.

    `slot` is the preset slot that the device should be in; `None` where none can be asked for. `left_out` are settings
    that nobody should want as they are: nothing else may give them to the position either.
    """

    position: str
    reported: Reported
    output: int
    values: dict[str, Value] = field(default_factory=dict)
    slot: int | None = None
    notes: list[str] = field(default_factory=list)
    left_out: set[str] = field(default_factory=set)

    @property
    def device(self) -> str:
        """The device's id."""
        return self.reported.state.id

    @property
    def description(self) -> Description:
        """What the device says of itself."""
        return self.reported.description

    def able(self) -> OutputDescription | None:
        """What the output can do."""
        return self.description.output(self.output)

    def live(self, setting: str) -> Value | None:
        """What it reports of a setting."""
        state = self.reported.state
        source = state.live if setting in DEVICE_SETTINGS else state.output(self.output)
        value: Value | None = getattr(source, setting)
        return value


def captured(position: str, reported: Reported, output: int, represent: Represent) -> CapturedOutput:
    """An output with everything it reports that can be desired of it."""
    one = CapturedOutput(position, reported, output)
    for setting in STORABLE:
        if (value := one.live(setting)) is not None:
            one.values[setting] = _written(one, setting, value, represent)
        elif _has(one, setting):
            one.notes.append(f"{SETTING_WORDS[setting]} is not told, and is left out")
    _mute(one)
    _device_wide(one)
    _leave_out_harmful(one)
    odd = [SETTING_WORDS[name] for name, value in one.values.items() if not accepts(one, name, value, represent)]
    if odd:
        one.notes.append(f"{listed(odd)}: reported beside the steps and ranges that it says it has")
    return one


def accepts(one: CapturedOutput, setting: str, value: Value, represent: Represent) -> bool:
    """Whether this value, if it were desired, would be what the output reports, after rounding to its steps.

    A wish for nothing is, where the output has no such setting.
    """
    if setting in one.left_out:
        return False
    if setting == "slot":
        return value == one.slot
    wide = setting in DEVICE_SETTINGS
    given: dict[str, Any] = {setting: value}
    asked = DeviceSettings(**given) if wide else DeviceSettings(outputs={one.output: OutputSettings(**given)})
    try:
        held = represent(one.description, asked)
    except BadInput:
        return False
    kept = getattr(held if wide else held.outputs[one.output], setting)
    return kept is None or same(kept, one.live(setting))


def same(one: object, other: object) -> bool:
    """Whether two values of a setting are one, rounding errors aside."""
    if isinstance(one, Crossover) and isinstance(other, Crossover):
        return _near(one.frequency_hz, other.frequency_hz) and replace(one, frequency_hz=other.frequency_hz) == other
    if isinstance(one, tuple) and isinstance(other, tuple):
        return len(one) == len(other) and all(map(_same_band, one, other))
    if isinstance(one, float | int) and isinstance(other, float | int) and not isinstance(one, bool):
        return not isinstance(other, bool) and _near(one, other)
    return one == other


def shortest(value: float, holds: Callable[[float], bool]) -> float:
    """The number that a person would write for a value: itself in few digits, else the shortest that `holds`."""
    exact = (round(value, digits) for digits in range(FEW_DIGITS + 1))
    for candidate in exact:
        if _near(candidate, value) and holds(candidate):
            return candidate
    shorter = (round(value, digits) for digits in range(MOST_DIGITS + 1))
    return next((candidate for candidate in shorter if holds(candidate)), value)


def _written(one: CapturedOutput, setting: str, value: Value, represent: Represent) -> Value:
    """A reported value in few digits, of which the device would make the same again."""

    def fits(candidate: Value) -> bool:
        return accepts(one, setting, candidate, represent)

    if isinstance(value, Crossover):
        return replace(value, frequency_hz=shortest(value.frequency_hz, lambda f: fits(replace(value, frequency_hz=f))))
    if isinstance(value, tuple):
        bands = tuple(_written_band(one, band, represent) for band in value)
        return bands if fits(bands) else value
    if isinstance(value, float):
        return shortest(value, fits)
    return value


def _written_band(one: CapturedOutput, band: Band, represent: Represent) -> Band:
    """One band alone: of what a device makes of bands, none depends on another."""

    def fits(candidate: Band) -> bool:
        asked = DeviceSettings(outputs={one.output: OutputSettings(eq=(candidate,))})
        try:
            held = represent(one.description, asked).outputs[one.output].eq
        except BadInput:
            return False
        return held is not None and _same_band(held[0], band)

    able = one.able()
    ranges = able.eq if able else None
    gain_db = shortest(band.gain_db, lambda g: _kept(ranges.gain_db if ranges else None, g, band.gain_db))
    frequency_hz = shortest(
        band.frequency_hz, lambda f: _kept(ranges.frequency_hz if ranges else None, f, band.frequency_hz)
    )
    round_band = replace(band, gain_db=gain_db, frequency_hz=frequency_hz)
    return replace(round_band, q=shortest(band.q, lambda q: q > 0 and fits(replace(round_band, q=q))))


def _kept(steps: Range | None, candidate: float, value: float) -> bool:
    return _near(candidate if steps is None else steps.nearest(candidate), value)


def _mute(one: CapturedOutput) -> None:
    """A mute is desired only where it is there, and is the tool's or the panel's."""
    if not one.live("mute"):
        return
    causes = one.reported.state.mute_causes.get(one.output, ())
    if causes and OURS_OR_PANEL.isdisjoint(causes):
        one.notes.append(f"muted by {listed(list(causes))}, which is not for this tool to want")
        return
    one.values["mute"] = True
    one.notes.append("muted now, and written as muted")


def _leave_out_harmful(one: CapturedOutput) -> None:
    """Filters that the design check would refuse: they are there, but are no state to keep a box in."""
    able, high, low = one.able(), one.values.get("high_pass"), one.values.get("low_pass")
    needed_hz = able.protective_high_pass_hz if able else None
    high_hz = corner_hz(high)
    harmful: tuple[str, ...] = ()
    if high is not None and needed_hz is not None and high_hz < needed_hz - ROUNDING:
        harmful = ("high_pass",)
        has = f"its high-pass is at {hz(high_hz)}" if high_hz else "it has no high-pass"
        one.notes.append(f"{has}, and its box needs {hz(needed_hz)} or more: the high-pass is left out")
    elif isinstance(high, Crossover) and isinstance(low, Crossover) and high.frequency_hz >= low.frequency_hz:
        harmful = ("high_pass", "low_pass")
        one.notes.append("its high-pass is not below its low-pass: both are left out")
    for setting in harmful:
        del one.values[setting]
        one.left_out.add(setting)


def _device_wide(one: CapturedOutput) -> None:
    description = one.description
    chosen = one.live("input")
    if isinstance(chosen, str) and chosen in description.inputs:
        if chosen and shown(chosen, 200) == chosen:
            one.values["input"] = chosen
        else:
            one.notes.append("the name of its input cannot be written to a file, and is left out")
    locked = one.live("panel_locked")
    if description.panel_lock and locked is not None:
        one.values["panel_locked"] = locked
    power_up = one.live("power_up_slot")
    if description.power_up.slot_settable and power_up is not None:
        one.values["power_up_slot"] = power_up


def _has(one: CapturedOutput, setting: str) -> bool:
    able = one.able()
    return able is not None and setting in OUTPUT_SETTINGS and bool(getattr(able, setting))


def _same_band(one: Band, other: Band) -> bool:
    return (
        one.shape == other.shape
        and _near(one.frequency_hz, other.frequency_hz)
        and _near(one.gain_db, other.gain_db)
        and _near(one.q, other.q)
    )


def _near(one: float, other: float) -> bool:
    return abs(one - other) <= ROUNDING
