"""Bytes of the wire contract to values of the model, and requests to bytes. No I/O.

Any bytes either parse or raise `DeviceNonsense`.
"""

from __future__ import annotations

from typing import Final, TypeVar, get_args

from pydantic import ValidationError

from fleet.drivers.mqtt import wire, wire_description, wire_parts, wire_requests
from fleet.drivers.mqtt.convert import outputs_of
from fleet.errors import BadInput, DeviceNonsense
from fleet.model.description import Description, QConvention
from fleet.model.edge import complaint_of, parse
from fleet.model.names import shown
from fleet.model.settings import DeviceSettings, SlotContents
from fleet.model.state import Moment, OpenChange, Slots, State

M = TypeVar("M", bound=wire_parts.Part)

FEATURES: Final = get_args(wire_description.Feature)


def decode_presence(device: str, payload: bytes) -> wire.Presence:
    """Whether a device is alive."""
    return _decode(wire.Presence, device, payload)


def decode_description(device: str, payload: bytes) -> Description:
    """What a device is and can do; features of a later contract are left out."""
    message = _decode(wire_description.Description, device, payload)
    _same(device, message.id)
    data = message.model_dump(exclude={"v"})
    data["features"] = tuple(f for f in message.features if f in FEATURES)
    try:
        return parse(Description, data)
    except BadInput as error:
        raise DeviceNonsense(device, f"description: {shown(error.what, 200)}") from None


def decode_state(device: str, payload: bytes, convention: QConvention) -> State:
    """What a device reports."""
    return state_of(device, _decode(wire.State, device, payload), convention)


def decode_slots(device: str, payload: bytes, convention: QConvention) -> Slots:
    """What a device's slots hold."""
    return slots_of(device, _decode(wire.Slots, device, payload), convention)


def decode_reply(payload: bytes) -> wire.Reply:
    """An answer to a request. Raises `DeviceNonsense`, of no device where even that cannot be read."""
    return _decode(wire.Reply, "", payload)


def decode_reply_head(payload: bytes) -> wire.ReplyHead | None:
    """Which request a reply answers, where that much can be read of it."""
    try:
        return _decode(wire.ReplyHead, "", payload)
    except DeviceNonsense:
        return None


def encode_request(request: wire_requests.Request) -> bytes:
    """A request as bytes. Raises `BadInput` where it is larger than the contract allows."""
    payload = request.model_dump_json(exclude_none=True).encode()
    if len(payload) > wire.MAX_PAYLOAD_BYTES:
        raise BadInput(f"a request of {len(payload)} bytes is larger than devices accept ({wire.MAX_PAYLOAD_BYTES})")
    return payload


def state_of(device: str, message: wire.State, convention: QConvention) -> State:
    """A state message as the model's value."""
    _same(device, message.id)
    change = message.change
    return State(
        id=message.id,
        serial=message.serial,
        moment=Moment(boot_id=message.boot_id, revision=message.revision),
        boot_count=message.boot_count,
        uptime_ms=message.uptime_ms,
        epoch=message.epoch,
        active_slot=message.active_slot,
        live=DeviceSettings(
            input=message.input,
            panel_locked=message.panel_locked,
            power_up_slot=message.power_up_slot,
            outputs=outputs_of(message.outputs, convention),
        ),
        mute_causes={o.output: o.mute_causes for o in message.outputs},
        temperature_c=message.health.temperature_c,
        faults=message.health.faults,
        slots_sha256=message.slots_sha256,
        change=None
        if change is None
        else OpenChange(id=change.id, phase=change.phase, reverts_in_ms=change.reverts_in_ms),
        cause=message.cause,
    )


def slots_of(device: str, message: wire.Slots, convention: QConvention) -> Slots:
    """A slots message as the model's value, by slot number."""
    _same(device, message.id)
    slots = {
        s.slot: SlotContents(
            slot=s.slot,
            name=s.name,
            input=s.input,
            outputs=None if s.outputs is None else outputs_of(s.outputs, convention),
        )
        for s in message.slots
    }
    if len(slots) != len(message.slots):
        raise DeviceNonsense(device, "slots: a slot is given twice")
    return slots


def _decode(kind: type[M], device: str, payload: bytes) -> M:
    name = kind.__name__.lower()
    if len(payload) > wire.MAX_PAYLOAD_BYTES:
        raise DeviceNonsense(device, f"{name} of {len(payload)} bytes; at most {wire.MAX_PAYLOAD_BYTES} are allowed")
    try:
        return kind.model_validate_json(payload)
    except ValidationError as error:
        raise DeviceNonsense(device, f"{name}: {shown(complaint_of(error), 200)}") from None


def _same(device: str, claimed: str) -> None:
    if claimed != device:
        raise DeviceNonsense(device, f"claims to be {claimed}")
