"""What files say of the sound beyond the devices: lines, ceilings, pairs of subwoofers, findings that are silenced.

Nothing of it is written to a device; the design checks compute with it.
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from fleet.desired.kinds import (
    NameText,
    NotNegativeNumber,
    PositiveNumber,
    Text,
    Whole,
    said,
    text_of,
)
from fleet.desired.parts import Day, Part
from fleet.model.passive import Wiring


class LoudspeakersPart(Part):
    """Equal loudspeakers on a line."""

    count: Whole = Field(description="How many loudspeakers.")
    tap_w: PositiveNumber | None = Field(default=None, description="Power tap of each, in W.")
    tap_volts: PositiveNumber | None = Field(
        default=None, description="Line voltage that the watts of the tap are stated for, where the label says it."
    )
    ohm: PositiveNumber | None = Field(
        default=None, description="At low impedance: rated impedance of each, in ohm, where its `type` does not say it."
    )
    type: NameText | None = Field(default=None, description="Loudspeaker type of the venue that they are of.")
    name: Text | None = Field(default=None, description="Which of the line's loudspeakers they are.")
    set_by: Text | None = Field(default=None, description="Who set the tap of each.")
    set_on: Day | None = Field(default=None, description="Day on which the taps were set, as in `2031-05-20`.")
    checked_by: Text | None = Field(default=None, description="Who looked at the tap of each after it was set.")
    checked_on: Day | None = Field(default=None, description="Day on which they were looked at.")

    @model_validator(mode="after")
    def _signed_wholly(self) -> Self:
        for act in ("set", "checked"):
            by, on = getattr(self, f"{act}_by"), getattr(self, f"{act}_on")
            if (by is None) != (on is None):
                raise said(f"wants `{act}_by` and `{act}_on` together: who, and on which day")
        if self.set_on is not None and self.tap_w is None:
            raise said("has no `tap_w`, so there is no tap that somebody set")
        if self.checked_on is not None and self.set_on is None:
            raise said("is checked, but nobody set it; give `set_by` and `set_on`")
        if self.set_on and self.checked_on and date.fromisoformat(self.checked_on) < date.fromisoformat(self.set_on):
            raise said(f"is checked on {self.checked_on}, before it was set on {self.set_on}")
        return self


class LinePart(Part):
    """What an amplifier's output feeds: a constant-voltage line, or loudspeakers at low impedance."""

    volts: PositiveNumber | None = Field(
        default=None, description="Line voltage: 100, 70.7…; left out at low impedance."
    )
    loudspeakers: Annotated[list[LoudspeakersPart], Field(min_length=1, max_length=100)] = Field(
        description="The loudspeakers on the line."
    )
    wiring: Annotated[Wiring, BeforeValidator(text_of)] = Field(
        default="parallel", description="At low impedance: how the loudspeakers are joined, `parallel` or `series`."
    )
    cable_m: NotNegativeNumber | None = Field(default=None, description="Length of the cable, one way, in m.")
    cable_mm2: PositiveNumber | None = Field(default=None, description="Section of a conductor in mm².")
    amplifier_w: PositiveNumber | None = Field(default=None, description="Rated power of the output, in W.")
    amplifier_min_ohm: PositiveNumber | None = Field(
        default=None, description="At low impedance: the lowest load the output may have, in ohm."
    )
    amplifier_total_w: PositiveNumber | None = Field(
        default=None, description="What all outputs of the device have together, in W, where they share it."
    )

    @model_validator(mode="after")
    def _one_form(self) -> Self:
        if self.volts is None and not all((each.ohm or each.type) and not each.tap_w for each in self.loudspeakers):
            raise said(
                "wants `volts` and a `tap_w` for each loudspeaker, or no `volts` and an `ohm` or `type` for each"
            )
        if self.volts is not None and not all(each.tap_w and not each.ohm for each in self.loudspeakers):
            raise said("has `volts`, so each loudspeaker wants a `tap_w` and no `ohm`")
        if self.volts is not None and self.amplifier_min_ohm is not None:
            raise said("has `volts`, for which `amplifier_min_ohm` says nothing; give `amplifier_w`")
        if self.volts is not None and self.wiring != "parallel":
            raise said("has `volts`: loudspeakers on such a line are in parallel, so leave `wiring` out")
        return self


class SubwooferPairPart(Part):
    """Two subwoofers that steer together."""

    kind: Annotated[Literal["gradient", "end_fire"], BeforeValidator(text_of)] = Field(
        description="`gradient`: the rear one delayed and inverted; `end_fire`: the front one delayed."
    )
    front: NameText = Field(description="Position of this room that is nearer to the audience.")
    rear: NameText = Field(description="Position of this room behind it.")
    spacing_m: PositiveNumber = Field(description="From the one to the other, in m.")


class CeilingPart(Part):
    """Loudspeakers in a ceiling, in a regular pattern."""

    height_m: PositiveNumber = Field(description="Height of the loudspeakers over the floor, in m.")
    ear_m: NotNegativeNumber = Field(default=1.2, description="Height of ears, in m: 1.2 seated, 1.7 standing.")
    angle_deg: PositiveNumber = Field(description="Angle between the -6 dB directions in the band that matters.")
    spacing_m: PositiveNumber | None = Field(default=None, description="From one to its neighbour in a row, in m.")
    pattern: Annotated[Literal["square", "hexagonal"], BeforeValidator(text_of)] = Field(
        default="square", description="`square`, or `hexagonal` (every other row shifted by half a spacing)."
    )

    @model_validator(mode="after")
    def _above_ears(self) -> Self:
        if self.height_m <= self.ear_m:
            raise said(f"has a `height_m` of {self.height_m:g} m, which is not above ears at {self.ear_m:g} m")
        return self


class SilencePart(Part):
    """A check whose findings here are right as they are."""

    check: NameText = Field(description="Name of the check, as findings end with it.")
    reason: Text = Field(description="Why its findings here are right.")


SilenceList = Annotated[list[SilencePart], Field(max_length=100)]
