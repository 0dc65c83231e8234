"""The file formats of a venue folder: venue file and room file, as pydantic models with a description on every field.

They check one value at a time; what depends on other parts of the files is for `fleet.desired.resolve`.
"""

from __future__ import annotations

from typing import Annotated, Final, Literal, Self
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, BeforeValidator, Discriminator, Field, Tag, model_validator

from fleet.desired.curves import CurvePart
from fleet.desired.day_parts import ContactList, ScheduleList
from fleet.desired.hours_parts import HoursList, NobodyNear, OnDrift
from fleet.desired.kinds import (
    Decibel,
    IdText,
    NameText,
    Number,
    OutputText,
    PointList,
    PositiveNumber,
    SlotText,
    Text,
    Truth,
    said,
    tagged,
    whole_of,
)
from fleet.desired.loudspeaker_types import LoudspeakerTypePart
from fleet.desired.mode_parts import Modes
from fleet.desired.parts import HOUSE, Part, SettingsPart, SparePart, StandInPart, TolerancesPart, one_way
from fleet.desired.references import ReferencesPart
from fleet.desired.surroundings import CeilingPart, LinePart, SilenceList, SubwooferPairPart
from fleet.model.names import shown


class GroupPart(SettingsPart):
    """A named set of positions and the settings they share."""

    together: Truth = Field(
        default=False, description="A coherent set (array, pair, sub with top): never left half changed."
    )
    role: NameText | None = Field(default=None, description="What the positions are for: `top`, `sub`, `fill`…")


class PlacePart(SettingsPart, ReferencesPart):
    """A place where one output sounds, whatever device serves it."""

    output: OutputText = Field(default=1, description="Output of the device.")
    at_m: PointList | None = Field(default=None, description="Where it is: x, y, z in m.")
    groups: Annotated[list[NameText], Field(max_length=32)] = Field(
        default=[], description="Groups of this room that the position belongs to."
    )
    ceiling_db: Decibel | None = Field(default=None, description="Level in dB that nothing may exceed.")
    trim_db: Decibel | None = Field(default=None, description="Added to the level of the group or room, in dB.")
    life_safety: Truth = Field(default=False, description="Never written to; carries no settings.")
    role: NameText | None = Field(default=None, description="What the position is for: `top`, `sub`, `fill`…")
    line: LinePart | None = Field(default=None, description="The line or the loudspeakers behind the output.")
    stands_in: StandInPart | None = Field(
        default=None, description="What the device stands in for, where it is not the one that is meant to be here."
    )
    silence: SilenceList = Field(default=[], description="Checks that are silenced here, each with its reason.")


class PositionPart(PlacePart):
    """A place where one output sounds. It stays when the box is swapped."""

    device: IdText = Field(description="Id of the device that serves this position.")


class HouseCurvePart(Part):
    """The curve a room is meant to have, and the preset slot that holds it."""

    curve: NameText = Field(description="Name of a curve of this room or of the venue.")
    slot: SlotText | None = Field(default=None, description="Preset slot for all models.")
    slots: Annotated[dict[Text, SlotText], Field(max_length=100)] | None = Field(
        default=None, description="Preset slot by model; `*` serves every other model."
    )

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        one_way(self.slot, self.slots)
        return self


def _not_reserved(name: str) -> str:
    if name == HOUSE:
        raise said("is the word for the house curve; give the curve another name")
    return name


CurveName = Annotated[NameText, AfterValidator(_not_reserved)]
Curves = Annotated[dict[CurveName, CurvePart], Field(max_length=200)]
Format = Annotated[Literal[1], BeforeValidator(whole_of)]


class RoomBodyPart(Part):
    """What a room and a template of rooms can both say."""

    air_temperature_c: Annotated[Number, Field(ge=-40, le=60)] = Field(
        default=20.0, description="Air temperature in °C, for the speed of sound."
    )
    listen_at_m: PointList | None = Field(default=None, description="Listening point for `time_align`: x, y, z in m.")
    curves: Curves = Field(
        default={}, description="Named EQs, as bands or target points; one may hide a curve of the venue."
    )
    house_curve: HouseCurvePart | None = Field(default=None, description="The curve this room is meant to have.")
    defaults: SettingsPart = Field(default=SettingsPart(), description="Settings of every position of the room.")
    groups: Annotated[dict[NameText, GroupPart], Field(max_length=500)] = Field(
        default={}, description="Groups by name."
    )
    modes: Modes = Field(default={}, description="Named states of this room, as far as each is other than the room.")
    schedule: ScheduleList = Field(default=[], description="Modes that the room comes into at times.")
    contacts: ContactList = Field(
        default=[], description="Partition contacts and wall panels on the devices' broker that select a mode."
    )
    spares: Annotated[dict[IdText, SparePart], Field(max_length=500)] = Field(
        default={}, description="Devices that are kept as spares, by id."
    )
    tolerances: TolerancesPart | None = Field(default=None, description="Tolerances of this room.")
    max_level_db: Decibel | None = Field(
        default=None, description="Most continuous A-weighted level in dB that is meant for the listening point."
    )
    exposure_hours: Annotated[PositiveNumber, Field(le=24)] | None = Field(
        default=None, description="Hours a day that people are in the room while it plays."
    )
    subwoofer_pairs: Annotated[list[SubwooferPairPart], Field(max_length=50)] = Field(
        default=[], description="Subwoofers that steer together."
    )
    ceiling: CeilingPart | None = Field(default=None, description="Loudspeakers in the ceiling of this room.")
    mute_while_recalling: Truth = Field(
        default=True,
        description="Whether recalling a preset slot mutes what sounds. Where `false`, it mutes only what would click "
        "(delay, crossover, polarity, input, or a slot that cannot be read) and what gets more than 3 dB louder by it. "
        "For a device that plays in two rooms, `true` in one of them decides.",
    )
    silence: SilenceList = Field(default=[], description="Checks that are silenced in this room, each with its reason.")
    off_hours: HoursList = Field(
        default=[], description="When the devices of this room may be without power: they are not missed then."
    )
    on_drift: OnDrift = Field(
        default="report",
        description="What drift leads to: `report`, or `repair`, which puts it right unasked while `nobody_near`.",
    )
    nobody_near: NobodyNear | None = Field(
        default=None,
        description="When nobody works near the boxes, for `on_drift: repair`: hours, or `always` where you know that "
        "nobody ever does.",
    )


class TemplatePart(RoomBodyPart):
    """A room without its devices, which rooms that are alike stand on."""

    positions: Annotated[dict[NameText, PlacePart], Field(max_length=5000)] = Field(
        default={}, description="Positions by name; the rooms say which devices serve them."
    )


class OutputOfPart(Part):
    """An output of a device that has several."""

    device: IdText = Field(description="Id of the device.")
    output: OutputText = Field(description="Output of the device.")


DeviceEntry = Annotated[
    Annotated[IdText, Tag("<word>")] | Annotated[OutputOfPart, Tag("<output>")],
    Discriminator(tagged("<word>", mapping="<output>")),
]


class RoomFile(RoomBodyPart):
    """A room: `rooms/NAME.yaml`."""

    format: Format = Field(description="Number of this file format: 1.")
    room: NameText = Field(description="Name of the room: lower case letters, digits and hyphens.")
    name: Text | None = Field(default=None, description="Name of the room for people.")
    template: NameText | None = Field(
        default=None, description="Template of the venue that this room stands on; what is written here wins."
    )
    devices: Annotated[dict[NameText, DeviceEntry], Field(max_length=5000)] = Field(
        default={}, description="Devices by position of the template: an id, or `{device: …, output: …}`."
    )
    origin_m: PointList | None = Field(
        default=None, description="Where the zero of the template's coordinates is in this room: x, y, z in m."
    )
    positions: Annotated[dict[NameText, PositionPart], Field(max_length=5000)] = Field(
        default={}, description="Positions by name."
    )


_HEAD: Final = ("format", "room", "name", "template", "devices", "origin_m")
_SOUND: Final = ("air_temperature_c", "listen_at_m", "curves", "house_curve", "defaults", "groups", "positions")
ROOM_KEYS: Final = tuple(dict.fromkeys((*_HEAD, *_SOUND, *RoomFile.model_fields)))
"""The keys of a room file in the order in which people write them."""


def _known_zone(zone: str) -> str:
    try:
        ZoneInfo(zone)
    except (KeyError, ValueError, OSError):
        raise said(f"is no time zone of the IANA database: `{shown(zone)}`; write one like `Europe/Lisbon`") from None
    return zone


class VenueFile(Part):
    """A venue: `venue.yaml`."""

    format: Format = Field(description="Number of this file format: 1.")
    name: Text = Field(description="Name of the venue for people.")
    time_zone: Annotated[Text, AfterValidator(_known_zone)] = Field(
        description="Time zone by its IANA name, as in `Europe/Lisbon`."
    )
    tolerances: TolerancesPart | None = Field(default=None, description="Tolerances of the whole venue.")
    curves: Curves = Field(default={}, description="Named EQs that all rooms share, as bands or target points.")
    loudspeaker_types: Annotated[dict[NameText, LoudspeakerTypePart], Field(max_length=500)] = Field(
        default={}, description="Passive loudspeakers by the name of their type, as data sheets have them."
    )
    templates: Annotated[dict[NameText, TemplatePart], Field(max_length=200)] = Field(
        default={}, description="Rooms without their devices by name, for rooms that are alike."
    )
