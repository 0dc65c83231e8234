"""Every message of the wire contract (`schemas/wire.md`) as a model, and one JSON Schema of them all."""

from __future__ import annotations

from typing import Annotated, Any, Final, Literal

from pydantic import AfterValidator, Field, model_validator
from pydantic.json_schema import models_json_schema

from fleet.drivers.mqtt.wire_parts import (
    MOST_BANDS,
    MOST_OUTPUTS,
    MOST_SLOTS,
    Above,
    Count,
    Decibels,
    Message,
    NotBelow,
    Number,
    OutputList,
    OutputSettings,
    Part,
    Range,
    Text,
    Word,
)
from fleet.drivers.mqtt.wire_requests import REQUESTS
from fleet.model.description import QConvention
from fleet.model.names import Id, OutputNumber, SlotNumber
from fleet.model.settings import Family, Shape
from fleet.model.state import MuteCause

MAX_PAYLOAD_BYTES: Final = 65_536

Feature = Literal["stage", "revert_timer", "common_moment"]
Refusal = Literal[
    "malformed",
    "expired",
    "stale_epoch",
    "unsupported",
    "change_open",
    "aborted",
    "reverted",
    "unknown_change",
    "wrong_boot",
    "wrong_revision",
    "not_staged",
    "committed",
    "out_of_range",
    "locked_slot",
    "store_too_soon",
    "not_live",
    "busy",
]
LaterRefusal = Annotated[str, Field(pattern=r"^[a-z][a-z_]{0,39}$")]
"""A code of a later version of the contract: still a refusal."""


class Presence(Message):
    """A device is alive or, as its will, gone. `connection` counts the connections of this boot."""

    online: bool
    boot_id: Id
    connection: Count


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


class OutputState(OutputSettings):
    """Live settings of one output; a setting that it does not have is absent."""

    level_db: Decibels
    mute: bool
    mute_causes: Annotated[tuple[MuteCause, ...], Field(max_length=4)] = ()

    @model_validator(mode="after")
    def _mute_has_a_cause(self) -> OutputState:
        if self.mute != bool(self.mute_causes):
            raise ValueError("mute does not agree with its causes")
        return self


class Health(Part):
    """How a device feels."""

    temperature_c: Number | None = None
    faults: Annotated[tuple[Text, ...], Field(max_length=32)] = ()


class OpenChange(Part):
    """A change that is open on a device."""

    id: Id
    phase: Count
    reverts_in_ms: NotBelow | None = None


def _each_once(outputs: tuple[OutputState, ...]) -> tuple[OutputState, ...]:
    if len({o.output for o in outputs}) != len(outputs):
        raise ValueError("an output is given twice")
    return outputs


class State(Message):
    """Everything a device reports except the contents of its slots."""

    id: Id
    serial: Text
    boot_id: Id
    boot_count: Count
    revision: Count
    uptime_ms: NotBelow
    epoch: Count = 0
    active_slot: SlotNumber | None = None
    input: Word | None = None
    panel_locked: bool | None = None
    power_up_slot: SlotNumber | None = None
    outputs: Annotated[
        tuple[OutputState, ...], Field(min_length=1, max_length=MOST_OUTPUTS), AfterValidator(_each_once)
    ]
    health: Health = Health()
    slots_sha256: Annotated[str, Field(pattern=r"^([0-9a-f]{64})?$")] = ""
    change: OpenChange | None = None
    cause: Text = ""


class SlotReport(Part):
    """What one slot holds; `outputs` is `null` where that cannot be read."""

    slot: SlotNumber
    name: Text = ""
    kind: Literal["factory", "user"] = "user"
    input: Word | None = None
    outputs: OutputList | None = None


class Slots(Message):
    """The contents of a device's slots."""

    id: Id
    boot_id: Id
    revision: Count
    slots: Annotated[tuple[SlotReport, ...], Field(max_length=MOST_SLOTS)]


class Refused(Part):
    """Why not."""

    code: Refusal | LaterRefusal
    text: Text = ""


class Result(Part):
    """The moment after a request; for `get` everything besides."""

    boot_id: Id
    revision: Count
    uptime_ms: NotBelow
    state: State | None = None
    slots: Slots | None = None


class Reply(Message):
    """The answer to a request: a result, or a refusal."""

    id: Id
    device: Id
    ok: bool
    result: Result | None = None
    refusal: Refused | None = None

    @model_validator(mode="after")
    def _one_or_the_other(self) -> Reply:
        if self.ok and self.result is None:
            raise ValueError("ok without a result")
        if not self.ok and self.refusal is None:
            raise ValueError("not ok without a refusal")
        return self


class ReplyHead(Part):
    """Enough of a reply to tell which request it spoils when the rest is nonsense."""

    id: Id
    device: Id


MESSAGES: Final = (Presence, Description, State, Slots, Reply, *REQUESTS)


def wire_schema() -> dict[str, Any]:
    """One JSON Schema (2020-12) that any message of the contract satisfies; each is in `$defs` by its name."""
    _, schema = models_json_schema([(m, "validation") for m in MESSAGES], by_alias=True)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Messages between networked loudspeakers and controllers",
        "description": "See wire.md. A payload is at most 65536 bytes; unknown members are ignored.",
        "anyOf": [{"$ref": f"#/$defs/{m.__name__}"} for m in MESSAGES],
        **schema,
    }
