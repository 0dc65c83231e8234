"""What a device holds: its live settings, its slots, and what of it survives a power loss. Frozen values only."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from .abilities import Json, Model, Output

Settings = Mapping[str, Any]
"""Settings of one output by their names on the wire, never changed in place."""

OUTPUT_SETTINGS = ("level_db", "polarity", "delay_ms", "eq", "high_pass", "low_pass")


@dataclass(frozen=True, slots=True)
class Live:
    """What sounds now. `outputs` and `mutes` (the causes) have one entry an output."""

    active_slot: int | None
    input: str | None
    panel_locked: bool | None
    power_up_slot: int | None
    outputs: tuple[Settings, ...]
    mutes: tuple[frozenset[str], ...]


@dataclass(frozen=True, slots=True)
class Slot:
    """One preset slot; `outputs` hold what the model's slots store and nothing else."""

    number: int
    name: str
    kind: str
    input: str | None
    outputs: tuple[Settings, ...]


@dataclass(frozen=True, slots=True)
class Kept:
    """What survives a power loss."""

    boot_count: int
    epoch: int
    live: Live
    slots: tuple[Slot, ...]


def factory_fresh(model: Model) -> Kept:
    """A device out of its carton: flat, first input, never booted."""
    flat = tuple(flat_settings(output) for output in model.outputs)
    slots = tuple(_fresh_slot(model, number, flat) for number in range(1, model.slots.count + 1))
    live = Live(
        active_slot=1,
        input=model.inputs[0] if model.inputs else None,
        panel_locked=False if model.panel_lock else None,
        power_up_slot=model.power_up.slot if model.power_up.slot_settable else None,
        outputs=flat,
        mutes=(frozenset(),) * len(flat),
    )
    return Kept(boot_count=0, epoch=0, live=live, slots=slots)


def flat_settings(output: Output) -> Settings:
    """Flat, at 0 dB, with the protective high-pass in where the loudspeaker needs one."""
    flat: Json = {
        "level_db": 0.0,
        "polarity": "normal",
        "delay_ms": 0.0,
        "eq": [],
        "high_pass": _protection(output),
        "low_pass": "none",
    }
    return {name: value for name, value in flat.items() if output.has(name)}


def stored(model: Model, settings: Settings) -> Settings:
    """The part of an output's settings that the model's slots store."""
    return {name: value for name, value in settings.items() if name in model.slots.stores}


def recalled(live: Live, slot: Slot) -> Live:
    """Live settings after a recall: all outputs, the input where stored, no mute."""
    return replace(
        live,
        active_slot=slot.number,
        input=live.input if slot.input is None else slot.input,
        outputs=tuple({**old, **new} for old, new in zip(live.outputs, slot.outputs, strict=True)),
    )


def digest(slots: tuple[Slot, ...]) -> str:
    """SHA-256 over the device's own serialisation of the slot contents."""
    plain = [[slot.number, slot.name, slot.input, slot.outputs] for slot in slots]
    return hashlib.sha256(json.dumps(plain, sort_keys=True).encode()).hexdigest()


def _fresh_slot(model: Model, number: int, flat: tuple[Settings, ...]) -> Slot:
    factory = number in model.slots.factory
    return Slot(
        number=number,
        name=f"factory {number}" if factory else f"user {number}",
        kind="factory" if factory else "user",
        input=model.inputs[0] if model.stores_input else None,
        outputs=tuple(stored(model, settings) for settings in flat),
    )


def _protection(output: Output) -> Json | str:
    if output.high_pass is None or output.protective_high_pass_hz is None:
        return "none"
    return {
        "family": "butterworth",
        "slope_db_per_octave": max(output.high_pass.slopes["butterworth"]),
        "frequency_hz": float(output.protective_high_pass_hz),
    }
