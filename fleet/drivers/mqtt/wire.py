"""What a device sends by the wire contract (`schemas/wire.md`) as models, and one JSON Schema of every message."""

from __future__ import annotations

from typing import Annotated, Any, Final, Literal

from pydantic import AfterValidator, Field, model_validator
from pydantic.json_schema import models_json_schema

from fleet.drivers.mqtt.wire_description import Description
from fleet.drivers.mqtt.wire_parts import (
    MOST_OUTPUTS,
    MOST_SLOTS,
    Count,
    Decibels,
    Message,
    NotBelow,
    Number,
    OutputList,
    OutputSettings,
    Part,
    Text,
    Word,
)
from fleet.drivers.mqtt.wire_requests import REQUESTS
from fleet.model.names import Id, SlotNumber
from fleet.model.state import MuteCause

MAX_PAYLOAD_BYTES: Final = 65_536

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
