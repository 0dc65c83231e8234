"""What a device says that it is and can do, in a message of the wire contract."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from fleet.drivers.mqtt.wire_parts import (
    MOST_BANDS,
    MOST_OUTPUTS,
    MOST_SLOTS,
    Above,
    Message,
    NotBelow,
    Part,
    Range,
    Text,
    Word,
)
from fleet.model.description import QConvention
from fleet.model.names import Id, OutputNumber, SlotNumber
from fleet.model.settings import Family, Shape

Feature = Literal["stage", "revert_timer", "common_moment"]


class Eq(Part):
    """How many bands of which shapes in which ranges."""

    bands: Annotated[int, Field(ge=0, le=MOST_BANDS)]
    shapes: Annotated[tuple[Shape, ...], Field(max_length=16)]
    frequency_hz: Range
    gain_db: Range
    q: Range


class CrossoverAbility(Part):
    """Slopes in dB per octave by family, and where the corner may lie."""

    slopes: dict[Family, Annotated[tuple[int, ...], Field(max_length=16)]]
    frequency_hz: Range


class Output(Part):
    """What one output can do; `null` for a setting it does not have."""

    output: OutputNumber
    name: Text = ""
    passband_hz: tuple[Above, Above]
    level_db: Range
    delay_ms: Range | None = None
    polarity: bool = False
    eq: Eq | None = None
    high_pass: CrossoverAbility | None = None
    low_pass: CrossoverAbility | None = None
    protective_high_pass_hz: Above | None = None


class PowerUp(Part):
    """How a device comes back after a power cut."""

    behaviour: Literal["last_state", "default_slot"]
    slot: SlotNumber | None = None
    slot_settable: bool = False


class SlotAbility(Part):
    """How many slots, which are the factory's, and what they can."""

    count: Annotated[int, Field(ge=0, le=MOST_SLOTS)]
    factory: Annotated[tuple[SlotNumber, ...], Field(max_length=MOST_SLOTS)] = ()
    stores: Annotated[tuple[Word, ...], Field(max_length=32)] = ()
    readable_inactive: bool = True
    store_needs_live: bool = False
    store_interval_s: NotBelow = 0.0


class Description(Message):
    """Identity and abilities of a device."""

    id: Id
    serial: Text
    model: Text
    firmware: Text = ""
    mac: Text = ""
    sample_rate_hz: Above
    latency_ms: NotBelow = 0.0
    q_convention: QConvention = "cookbook"
    outputs: Annotated[tuple[Output, ...], Field(min_length=1, max_length=MOST_OUTPUTS)]
    inputs: Annotated[tuple[Word, ...], Field(max_length=64)] = ()
    panel_lock: bool = False
    power_up: PowerUp
    slots: SlotAbility
    features: Annotated[tuple[Feature | Word, ...], Field(max_length=32)] = ()
