"""The messages a device publishes about itself, made from what it holds."""

from __future__ import annotations

from .abilities import Identity, Json, Model
from .condition import Live, Slot
from .running import Running

_TEMPERATURE_C = 38.0


def state_message(identity: Identity, running: Running, moment: Json, slots_sha256: str) -> Json:
    """The `state` message; `moment` holds boot id, revision and uptime."""
    live, change = running.live, running.changes.open
    message: Json = {
        "v": 1,
        "id": identity.device,
        "serial": identity.serial,
        **moment,
        "boot_count": running.kept.boot_count,
        "epoch": running.kept.epoch,
        "active_slot": live.active_slot,
        "input": live.input,
        "panel_locked": live.panel_locked,
        "power_up_slot": live.power_up_slot,
        "outputs": [_live_output(live, index) for index in range(len(live.outputs))],
        "health": {"temperature_c": _TEMPERATURE_C, "faults": []},
        "slots_sha256": slots_sha256,
    }
    if "no_hint" not in running.faults:
        message["cause"] = running.faults.argument("false_hint") or running.cause
    if change:
        left = None if change.reverts_at_ms is None else max(0, change.reverts_at_ms - moment["uptime_ms"])
        message["change"] = {"id": change.change, "phase": change.phase, "reverts_in_ms": left}
    return message


def slots_message(identity: Identity, running: Running, moment: Json) -> Json:
    """The `slots` message; contents are `null` where the model does not tell them."""
    active = running.live.active_slot
    return {
        "v": 1,
        "id": identity.device,
        "boot_id": moment["boot_id"],
        "revision": moment["revision"],
        "slots": [_told_slot(running.model, slot, active) for slot in running.kept.slots],
    }


def _live_output(live: Live, index: int) -> Json:
    causes = sorted(live.mutes[index])
    return {
        "output": index + 1,
        **live.outputs[index],
        "mute": bool(causes),
        "mute_causes": causes,
    }


def _told_slot(model: Model, slot: Slot, active: int | None) -> Json:
    readable = model.slots.readable_inactive or slot.number == active
    outputs = [{"output": number, **settings} for number, settings in enumerate(slot.outputs, start=1)]
    return {
        "slot": slot.number,
        "name": slot.name,
        "kind": slot.kind,
        "input": slot.input if readable else None,
        "outputs": outputs if readable else None,
    }
