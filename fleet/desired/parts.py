"""Settings as files write them: bands, filters, ranges, tolerances, and what defaults, groups and positions share."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Final, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Discriminator, Field, Tag, model_validator

from fleet.desired.kinds import (
    Continuous,
    Decibel,
    FamilyText,
    IdText,
    NameText,
    NoFilterText,
    NotNegativeNumber,
    Number,
    PointList,
    PolarityText,
    PositiveNumber,
    ShapeText,
    Slope,
    SlotText,
    Text,
    Truth,
    entries,
    said,
    tagged,
)

HOUSE: Final = "house"
"""The word that stands for the house curve in an `eq`; no curve can have it as its name."""


class Part(BaseModel):
    """Any mapping of a file: unknown keys are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    def given(self) -> frozenset[str]:
        """Names of the keys that were written."""
        return frozenset(self.model_fields_set)


class BandPart(Part):
    """One equaliser band."""

    shape: ShapeText = Field(description="Shape of the band.")
    frequency_hz: PositiveNumber = Field(description="Centre or corner frequency in Hz.")
    gain_db: Number = Field(default=0.0, description="Boost (positive) or cut in dB; 0 for a notch or an all-pass.")
    q: PositiveNumber = Field(description="Q by the audio EQ cookbook, whatever the device's own convention is.")

    @model_validator(mode="after")
    def _gain_fits_shape(self) -> Self:
        if self.gain_db and self.shape in ("notch", "all_pass"):
            raise said(f"has a gain, but a {self.shape} has none; leave `gain_db` out")
        return self


BandList = Annotated[list[BandPart], Field(max_length=64)]


class CrossoverPart(Part):
    """A high-pass or low-pass filter."""

    family: FamilyText = Field(description="Family of the filter.")
    slope_db_per_octave: Slope = Field(description="Slope in dB per octave.")
    frequency_hz: PositiveNumber = Field(description="Corner frequency in Hz.")


_BOUNDS: Final = entries(2, "lowest and highest")


def _rising(bounds: list[float]) -> list[float]:
    if bounds[0] >= bounds[1]:
        raise said(f"wants the lower value first, got {bounds[0]:g} and {bounds[1]:g}")
    return bounds


class RangePart(Part):
    """An allowed range in place of a fixed value."""

    between: Annotated[list[Decibel], Field(min_length=2, max_length=2), _BOUNDS, AfterValidator(_rising)] = Field(
        description="Lowest and highest value that are right."
    )


class DelayRangePart(Part):
    """An allowed range of delay."""

    between: Annotated[list[NotNegativeNumber], Field(min_length=2, max_length=2), _BOUNDS, AfterValidator(_rising)] = (
        Field(description="Shortest and longest delay in ms that are right.")
    )


class TimeAlignPart(Part):
    """A delay to be computed from coordinates."""

    to: NameText = Field(description="Position of this room whose sound this one is aligned to.")
    offset_ms: Number = Field(default=0.0, description="Added to the computed delay, in ms.")


class TolerancesPart(Part):
    """From where on a difference counts as audible; what is not given comes from the room, the venue, the tool."""

    level_db: NotNegativeNumber | None = Field(default=None, description="Level, in dB.")
    eq_db: NotNegativeNumber | None = Field(default=None, description="Response of EQ and crossovers, in dB.")
    delay_ms: NotNegativeNumber | None = Field(default=None, description="Delay, in ms.")
    coherent_delay_ms: NotNegativeNumber | None = Field(default=None, description="Delay within a coherent set, in ms.")
    coherent_phase_deg: NotNegativeNumber | None = Field(
        default=None, description="Phase within a coherent set, in degrees."
    )


class LoudspeakerPart(Part):
    """How loud a box plays on axis at 1 m, for checks."""

    level_at_1m_db: Decibel = Field(
        description="Continuous A-weighted level in dB with `level_db` 0 and the room's programme."
    )
    limit_at_1m_db: Decibel | None = Field(default=None, description="The most the box keeps up, of the same kind.")
    crest_factor_db: NotNegativeNumber | None = Field(
        default=None, description="Crest factor of the programme in dB: 6 for test noise, 12 and more for programme."
    )
    quantity: Continuous = Field(
        default="continuous", description="What the levels are: `continuous`, which peaks do not compare with."
    )


def _day(text: str) -> str:
    try:
        date.fromisoformat(text)
    except ValueError:
        raise said("is no day; write one like `2031-05-20`") from None
    return text


Day = Annotated[Text, AfterValidator(_day)]


class StandInPart(Part):
    """A device that stands in for another, which it cannot wholly replace."""

    instead_of: IdText = Field(description="Id of the device that it stands in for.")
    until: Annotated[Text, AfterValidator(_day)] = Field(
        description="Last day on which that is agreed, as in `2031-05-20`."
    )


class SparePart(Part):
    """A device that is kept as a spare."""

    spare_for: Annotated[list[NameText], Field(min_length=1, max_length=500)] = Field(
        description="Positions of this room that it may serve when their own device is dead."
    )


Level = Annotated[
    Annotated[Decibel, Tag("<number>")] | Annotated[RangePart, Tag("<range>")],
    Discriminator(tagged("<number>", mapping="<range>")),
]
Delay = Annotated[
    Annotated[NotNegativeNumber, Tag("<number>")] | Annotated[DelayRangePart, Tag("<range>")],
    Discriminator(tagged("<number>", mapping="<range>")),
]
Filter = Annotated[
    Annotated[NoFilterText, Tag("<word>")] | Annotated[CrossoverPart, Tag("<filter>")],
    Discriminator(tagged("<word>", mapping="<filter>")),
]
EqItem = Annotated[
    Annotated[NameText, Tag("<word>")] | Annotated[BandPart, Tag("<band>")],
    Discriminator(tagged("<word>", mapping="<band>")),
]
Eq = Annotated[
    Annotated[NameText, Tag("<word>")] | Annotated[list[EqItem], Tag("<bands>"), Field(max_length=64)],
    Discriminator(tagged("<word>", sequence="<bands>")),
]
UNION_TAGS: Final = frozenset(
    {"<number>", "<range>", "<word>", "<filter>", "<band>", "<bands>", "<points>", "<output>", "<days>", "<hours>"}
)


class SettingsPart(Part):
    """Settings that room defaults, groups and positions may give; the more specific replaces whole."""

    level_db: Level | None = Field(default=None, description="Level in dB, or `{between: [low, high]}`.")
    mute: Truth | None = Field(default=None, description="Whether the output is muted; stored in no preset slot.")
    polarity: PolarityText | None = Field(default=None, description="Polarity of the output.")
    delay_ms: Delay | None = Field(default=None, description="Delay in ms, or `{between: [low, high]}`.")
    eq: Eq | None = Field(
        default=None,
        description="A list of bands, curve names and the word `house` (the house curve), or one name; `[]` is none.",
    )
    high_pass: Filter | None = Field(default=None, description="High-pass filter, or `none`.")
    low_pass: Filter | None = Field(default=None, description="Low-pass filter, or `none`.")
    time_align: TimeAlignPart | None = Field(
        default=None, description="A delay computed from coordinates, in place of `delay_ms`."
    )
    listen_at_m: PointList | None = Field(default=None, description="Listening point for `time_align`: x, y, z in m.")
    input: Text | None = Field(default=None, description="Input of the device, by its own name.")
    panel_locked: Truth | None = Field(default=None, description="Whether the device's front panel is locked.")
    power_up_slot: SlotText | None = Field(default=None, description="Preset slot the device recalls at power-up.")
    slot: SlotText | None = Field(
        default=None, description="Preset slot the device should be in, in place of the house curve's."
    )
    loudspeaker: LoudspeakerPart | None = Field(
        default=None, description="How loud the box plays at 1 m: for checks, never written to a device."
    )
    tolerances: TolerancesPart | None = Field(default=None, description="Tolerances that apply here.")


def one_way(slot: object, slots: object) -> None:
    """Refuse a preset slot that is given both for all models and by model."""
    if slot is not None and slots is not None:
        raise said("has both `slot` and `slots`; give one of them")
