"""What a model can do, as the description on the wire tells it: ranges and steps, filters, slots, features."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

Json = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Range:
    """The numbers a setting accepts; `step` 0 means any number between `min` and `max`."""

    min: float
    max: float
    step: float

    def holds(self, value: float) -> bool:
        """Whether the value may be asked for; the largest step may lie a rounding error above `max`."""
        return self.min - 1e-9 <= value <= self.max + 1e-9

    def quantise(self, value: float) -> float:
        """The value a device keeps: the nearest `min + n * step`, halves upwards, never above `max`."""
        if self.step == 0:
            return float(value)
        last = math.floor((self.max - self.min) / self.step + 1e-6)
        steps = min(math.floor((value - self.min) / self.step + 0.5), last)
        return float(self.min + steps * self.step)


@dataclass(frozen=True, slots=True)
class Equaliser:
    """The bands of one output; their `q` is in the model's own convention."""

    bands: int
    shapes: tuple[str, ...]
    frequency_hz: Range
    gain_db: Range
    q: Range


@dataclass(frozen=True, slots=True)
class Filter:
    """A high-pass or low-pass: slopes in dB per octave by family."""

    slopes: Mapping[str, tuple[int, ...]]
    frequency_hz: Range


@dataclass(frozen=True, slots=True)
class Output:
    """One output and the settings it has; `None` or `False` where it has no such setting."""

    name: str
    passband_hz: tuple[float, float]
    level_db: Range
    delay_ms: Range | None
    polarity: bool
    eq: Equaliser | None
    high_pass: Filter | None
    low_pass: Filter | None
    protective_high_pass_hz: float | None

    def has(self, setting: str) -> bool:
        """Whether this output has the setting at all."""
        return bool(getattr(self, setting))


@dataclass(frozen=True, slots=True)
class PowerUp:
    """How the device comes back: `last_state`, or `default_slot` with its slot."""

    behaviour: str
    slot: int | None
    slot_settable: bool


@dataclass(frozen=True, slots=True)
class Slots:
    """The preset slots and what they store."""

    count: int
    factory: tuple[int, ...]
    stores: tuple[str, ...]
    readable_inactive: bool
    store_needs_live: bool
    store_interval_s: float


@dataclass(frozen=True, slots=True)
class Model:
    """One model of our own invention."""

    name: str
    prefix: str
    firmware: str
    sample_rate_hz: int
    latency_ms: float
    q_convention: str
    outputs: tuple[Output, ...]
    inputs: tuple[str, ...]
    panel_lock: bool
    power_up: PowerUp
    slots: Slots
    features: tuple[str, ...]

    @property
    def stages(self) -> bool:
        """Whether requests are staged and committed; without it the device has `set`."""
        return "stage" in self.features

    @property
    def stores_input(self) -> bool:
        """Whether a slot holds the input too."""
        return "input" in self.slots.stores


@dataclass(frozen=True, slots=True)
class Identity:
    """Who one device is: the id is its name on the network, the serial is on its plate."""

    device: str
    serial: str
    firmware: str
    mac: str


def describe(model: Model, identity: Identity) -> Json:
    """The `description` message."""
    told = asdict(model)
    outputs = [{"output": number, **output} for number, output in enumerate(told["outputs"], start=1)]
    return {
        "v": 1,
        "id": identity.device,
        "serial": identity.serial,
        "model": model.name,
        "firmware": identity.firmware,
        "mac": identity.mac,
        **{name: told[name] for name in ("sample_rate_hz", "latency_ms", "q_convention")},
        "outputs": outputs,
        **{name: told[name] for name in ("inputs", "panel_lock", "power_up", "slots", "features")},
    }
