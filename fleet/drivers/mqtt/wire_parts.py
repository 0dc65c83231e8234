"""The parts that wire messages are made of: bounded numbers and texts, ranges, filters, settings of an output."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from fleet.model.names import OutputNumber, SlotNumber, shown
from fleet.model.settings import Family, Polarity, Shape

MOST_OUTPUTS = 64
MOST_BANDS = 64
MOST_SLOTS = 999

Number = Annotated[float, Field(allow_inf_nan=False, ge=-1e15, le=1e15)]
Decibels = Annotated[float, Field(allow_inf_nan=False, ge=-1000, le=1000)]
Q = Annotated[float, Field(allow_inf_nan=False, ge=1e-6, le=1e6)]
Above = Annotated[float, Field(allow_inf_nan=False, gt=0, le=1e15)]
NotBelow = Annotated[float, Field(allow_inf_nan=False, ge=0, le=1e15)]
Count = Annotated[int, Field(ge=0, le=2**53)]


def _as_shown(text: str) -> str:
    if shown(text) != text:
        raise ValueError("has characters that cannot be shown, or too many")
    return text


Text = Annotated[str, Field(max_length=256), AfterValidator(shown)]
"""Text to be shown only: made safe here, once."""
Word = Annotated[str, Field(min_length=1, max_length=64), AfterValidator(_as_shown)]
"""Text that is compared and sent back, so it is refused instead of mended."""


class Part(BaseModel):
    """Frozen, unknown members ignored, no conversion between types."""

    model_config = ConfigDict(frozen=True, extra="ignore", strict=True)


class Message(Part):
    """What all messages carry."""

    v: Literal[1] = 1


class Range(Part):
    """Smallest and largest value, and the step; 0 means any value between."""

    min: Number
    max: Number
    step: NotBelow = 0.0


class Band(Part):
    """One equaliser filter, `q` in the device's own convention."""

    shape: Shape
    frequency_hz: Above
    gain_db: Decibels = 0.0
    q: Q


class Crossover(Part):
    """A high- or low-pass filter."""

    family: Family
    slope_db_per_octave: Literal[6, 12, 18, 24, 36, 48]
    frequency_hz: Above


class OutputSettings(Part):
    """Settings of one output, as many as are given."""

    output: OutputNumber
    level_db: Decibels | None = None
    mute: bool | None = None
    polarity: Polarity | None = None
    delay_ms: NotBelow | None = None
    eq: Annotated[tuple[Band, ...], Field(max_length=MOST_BANDS)] | None = None
    high_pass: Crossover | Literal["none"] | None = None
    low_pass: Crossover | Literal["none"] | None = None


def _each_once(outputs: tuple[OutputSettings, ...]) -> tuple[OutputSettings, ...]:
    if len({o.output for o in outputs}) != len(outputs):
        raise ValueError("an output is given twice")
    return outputs


OutputList = Annotated[tuple[OutputSettings, ...], Field(max_length=MOST_OUTPUTS), AfterValidator(_each_once)]


class Settings(Part):
    """Settings to write: only what is to change, with absolute values."""

    input: Word | None = None
    panel_locked: bool | None = None
    power_up_slot: SlotNumber | None = None
    outputs: OutputList = ()


class SlotContents(Part):
    """Contents to store in a slot; what is not given keeps the contents it had."""

    slot: SlotNumber
    name: Text = ""
    input: Word | None = None
    outputs: OutputList = ()
