"""What an amplifier's output feeds: passive loudspeakers on a line or at low impedance, and who set which tap.

Nothing of it is written to a device; checks compute with it, and the hand-over lists it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Literal

from fleet.model.names import Name

Wiring = Literal["parallel", "series"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LoudspeakerType:
    """A passive loudspeaker as its data sheet has it; `None` where that is not given.

    `power_w` is what it stands for ever, `protective_high_pass_hz` the lowest high-pass that keeps it whole,
    `sensitivity_db` the level at 1 m with 1 W. `amplifier_preset` is the slot of an amplifier that is made for it.
    """

    name: Name
    impedance_ohm: float | None = None
    power_w: float | None = None
    protective_high_pass_hz: float | None = None
    passband_hz: tuple[float, float] | None = None
    amplifier_preset: int | str | None = None
    sensitivity_db: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Signed:
    """Somebody did something with their own hands, and when."""

    by: str
    on: date


@dataclass(frozen=True, slots=True, kw_only=True)
class LineLoudspeakers:
    """Equal loudspeakers on a line: by the power tap of each in W, or at low impedance by the rated ohm of each.

    `tap_volts` is the line that the tap's watts are stated for, where that is given. `name` says which of the line's
    loudspeakers they are; `set` and `checked` who set their taps and who looked at them after.
    """

    count: int
    tap_w: float | None = None
    tap_volts: float | None = None
    ohm: float | None = None
    type: LoudspeakerType | None = None
    name: str = ""
    set: Signed | None = None
    checked: Signed | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """What an amplifier's output feeds, for checks and never written to a device.

    A constant-voltage line of `volts`, or at low impedance (`None`) loudspeakers by their `wiring`. `cable_m` is the
    length one way, `cable_mm2` the section of a conductor; `amplifier_total_w` is what all outputs of the device have
    together. `None` where it was not given.
    """

    volts: float | None = None
    loudspeakers: tuple[LineLoudspeakers, ...]
    wiring: Wiring = "parallel"
    cable_m: float | None = None
    cable_mm2: float | None = None
    amplifier_w: float | None = None
    amplifier_min_ohm: float | None = None
    amplifier_total_w: float | None = None

    def types(self) -> tuple[LoudspeakerType, ...]:
        """The types of the loudspeakers, each once, in the order of the line."""
        return tuple(dict.fromkeys(each.type for each in self.loudspeakers if each.type is not None))
