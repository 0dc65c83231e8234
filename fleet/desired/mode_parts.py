"""Modes of a room as files write them: what is other than without them, and the rooms that go along."""

from __future__ import annotations

from typing import Annotated, Final, Self

from pydantic import AfterValidator, Field, model_validator

from fleet.desired.kinds import NameText, SlotText, Text, said
from fleet.desired.parts import Part, SettingsPart, one_way
from fleet.model.days import HOUSE_MODE

MOST_MODES: Final = 50


class ModePart(Part):
    """A named state of a room. What it gives wins over what the room gives, wherever the room gives it."""

    name: Text | None = Field(default=None, description="Name of the mode for people.")
    house_curve: NameText | None = Field(
        default=None, description="Curve that `house` is in this mode, in place of the room's."
    )
    slot: SlotText | None = Field(
        default=None, description="Preset slot of this mode for all models; without one, the room's slot is recalled."
    )
    slots: Annotated[dict[Text, SlotText], Field(max_length=100)] | None = Field(
        default=None, description="Preset slot of this mode by model; `*` serves every other model."
    )
    defaults: SettingsPart = Field(default=SettingsPart(), description="Settings of every position in this mode.")
    groups: Annotated[dict[NameText, SettingsPart], Field(max_length=500)] = Field(
        default={}, description="Settings of groups of the room in this mode, by group."
    )
    positions: Annotated[dict[NameText, SettingsPart], Field(max_length=5000)] = Field(
        default={}, description="Settings of positions of the room in this mode, by position."
    )
    together_with: Annotated[dict[NameText, NameText], Field(max_length=50)] = Field(
        default={},
        description="Other rooms, and the mode each is brought into with this one: all of them or none. "
        "It holds the other way round too, except for `house`, a room without modes.",
    )

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        one_way(self.slot, self.slots)
        return self


def _not_reserved(name: str) -> str:
    if name == HOUSE_MODE:
        raise said("is the word for a room without modes; give the mode another name")
    return name


ModeName = Annotated[NameText, AfterValidator(_not_reserved)]
Modes = Annotated[dict[ModeName, ModePart], Field(max_length=MOST_MODES)]
