"""What a device says it is and can do: outputs, ranges and steps, slots, abilities."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import Field

from fleet.model.names import Id, OutputNumber, SlotNumber
from fleet.model.settings import Family, Finite, NotNegative, Positive, Shape

QConvention = Literal["cookbook", "constant_q"]
Feature = Literal["stage", "revert_timer", "common_moment"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Range:
    """Smallest and largest value of a setting and its step; a step of 0 means any value between."""

    min: Finite
    max: Finite
    step: NotNegative = 0.0

    def nearest(self, value: float) -> float:
        """The value a device keeps when `value` is asked for: the nearest step (halves up), inside the range."""
        inside = min(max(value, self.min), self.max)
        if not self.step:
            return inside
        steps = math.floor((inside - self.min) / self.step + 0.5)
        kept = self.min + steps * self.step
        return kept if kept <= self.max + 1e-9 else self.min + (steps - 1) * self.step

    def contains(self, value: float) -> bool:
        """True where `value` lies in the range, a rounding error aside."""
        return self.min - 1e-9 <= value <= self.max + 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class EqAbility:
    """How many bands an output has, of which shapes, in which ranges."""

    bands: Annotated[int, Field(ge=0, le=64)]
    shapes: tuple[Shape, ...]
    frequency_hz: Range
    gain_db: Range
    q: Range


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossoverAbility:
    """Which slopes (dB per octave) each family offers, and where the corner may lie."""

    slopes: Mapping[Family, tuple[int, ...]]
    frequency_hz: Range


@dataclass(frozen=True, slots=True, kw_only=True)
class OutputDescription:
    """One output of a device; `None` for a setting it does not have.

    `passband_hz` is its lowest and highest useful frequency.
    """

    output: OutputNumber
    name: str = ""
    passband_hz: tuple[Positive, Positive]
    level_db: Range
    delay_ms: Range | None = None
    polarity: bool = False
    eq: EqAbility | None = None
    high_pass: CrossoverAbility | None = None
    low_pass: CrossoverAbility | None = None
    protective_high_pass_hz: Positive | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerUp:
    """How a device comes back: with its last kept state, or recalling its default slot."""

    behaviour: Literal["last_state", "default_slot"]
    slot: SlotNumber | None = None
    slot_settable: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SlotAbility:
    """Preset slots: how many, which are the factory's, what they store, and what cannot be told of them."""

    count: Annotated[int, Field(ge=0, le=999)]
    factory: tuple[SlotNumber, ...] = ()
    stores: tuple[str, ...] = ()
    readable_inactive: bool = True
    store_needs_live: bool = False
    store_interval_s: NotNegative = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Description:
    """Identity and abilities of a device. `latency_ms` is its fixed electronic delay."""

    id: Id
    serial: str
    model: str
    firmware: str = ""
    mac: str = ""
    sample_rate_hz: Positive
    latency_ms: NotNegative = 0.0
    q_convention: QConvention = "cookbook"
    outputs: tuple[OutputDescription, ...]
    inputs: tuple[str, ...] = ()
    panel_lock: bool = False
    power_up: PowerUp
    slots: SlotAbility
    features: tuple[Feature, ...] = ()

    def output(self, number: int) -> OutputDescription | None:
        """The output of this number, or `None`."""
        return next((o for o in self.outputs if o.output == number), None)
