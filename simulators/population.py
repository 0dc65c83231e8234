"""Who is simulated: the devices of a venue's `devices.yaml`, or any number of random ones."""

from __future__ import annotations

import hashlib
import random
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import yaml

from .abilities import Equaliser, Identity, Json, Model
from .condition import Kept, Live, Settings, Slot, factory_fresh, stored
from .fitting import fitted
from .models import MODELS


@dataclass(frozen=True, slots=True)
class Simulated:
    """One device to simulate: what it is, and what it holds before its first boot."""

    model: Model
    identity: Identity
    kept: Kept


def from_venue(folder: Path) -> tuple[Simulated, ...]:
    """The devices of `folder/devices.yaml`; ValueError names the device and what is wrong with it."""
    path = folder / "devices.yaml"
    if not path.is_file():
        raise ValueError(f"{path} is missing: a simulated venue lists its devices there")
    document = yaml.load(path.read_text(encoding="utf-8"), Loader=yaml.CSafeLoader)
    devices = tuple(_from_yaml(plain) for plain in document["devices"])
    if len({device.identity.device for device in devices}) < len(devices):
        raise ValueError(f"{path}: two devices have the same id")
    return devices


def at_random(count: int, seed: int) -> tuple[Simulated, ...]:
    """So many devices over all models, with levels, EQ and a house slot of their own; the same for the same seed."""
    chance = random.Random(seed)  # noqa: S311 - test data, and to be the same again
    models = list(MODELS.values())
    return tuple(_random_device(chance, models[number % len(models)], number) for number in range(1, count + 1))


def replacement(device: Simulated, serial: str) -> Simulated:
    """Another box of the same model and under the same id, out of its carton."""
    mac = "02:00:5e:" + ":".join(f"{byte:02x}" for byte in hashlib.sha256(serial.encode()).digest()[:3])
    identity = replace(device.identity, serial=serial, mac=mac, firmware=device.model.firmware)
    return Simulated(device.model, identity, factory_fresh(device.model))


def _from_yaml(plain: Json) -> Simulated:
    name = plain.get("id", "a device without id")
    try:
        model = MODELS[plain["model"]]
        identity = Identity(plain["id"], plain["serial"], plain["firmware"], plain["mac"])
        return Simulated(model, identity, _kept(model, plain))
    except (KeyError, TypeError, IndexError) as error:
        raise ValueError(f"devices.yaml: {name}: {error!r} is missing or does not fit its model") from error


def _kept(model: Model, plain: Json) -> Kept:
    fresh = factory_fresh(model)
    outputs = _settings(model, fresh.live.outputs, plain.get("outputs", {}))
    live = Live(
        active_slot=plain.get("slot", 1),
        input=plain.get("input", fresh.live.input),
        panel_locked=plain.get("panel_locked", fresh.live.panel_locked),
        power_up_slot=plain.get("power_up_slot", fresh.live.power_up_slot),
        outputs=outputs,
        mutes=tuple(
            frozenset(plain.get("outputs", {}).get(number, {}).get("mute_causes", ()))
            for number in range(1, len(outputs) + 1)
        ),
    )
    slots = list(fresh.slots)
    house = plain.get("house_slot")
    if house is not None:
        held = _settings(model, outputs, plain.get("house_outputs", {}))
        slots[house - 1] = _house(model, house, held, live.input)
    return replace(fresh, live=live, slots=tuple(slots))


def _settings(model: Model, base: tuple[Settings, ...], told: Mapping[int, Json]) -> tuple[Settings, ...]:
    merged = list(base)
    for number, settings in told.items():
        merged[number - 1] = {**base[number - 1], **fitted(model.outputs[number - 1], settings)}
    return tuple(merged)


def _house(model: Model, number: int, outputs: tuple[Settings, ...], chosen: str | None) -> Slot:
    held = tuple(stored(model, settings) for settings in outputs)
    return Slot(number, "house", "user", chosen if model.stores_input else None, held)


def _random_device(chance: random.Random, model: Model, number: int) -> Simulated:
    fresh = factory_fresh(model)
    outputs = tuple(
        {**settings, **fitted(output, {"level_db": chance.uniform(-30, 0), "eq": _random_eq(chance, output.eq)})}
        for output, settings in zip(model.outputs, fresh.live.outputs, strict=True)
    )
    house = model.slots.count
    slots = (*fresh.slots[:-1], _house(model, house, outputs, fresh.live.input))
    live = replace(fresh.live, active_slot=house, outputs=outputs)
    identity = Identity(
        device=f"{model.prefix}-{number:05d}",
        serial=f"{model.prefix.upper()}-{number:06d}",
        firmware=model.firmware,
        mac="02:00:5e:" + ":".join(f"{byte:02x}" for byte in number.to_bytes(3, "big")),
    )
    return Simulated(model, identity, replace(fresh, live=live, slots=slots))


def _random_eq(chance: random.Random, eq: Equaliser | None) -> list[Json]:
    if eq is None:
        return []
    return [
        {
            "shape": "bell",
            "frequency_hz": chance.uniform(eq.frequency_hz.min, eq.frequency_hz.max),
            "gain_db": chance.uniform(max(-6, eq.gain_db.min), min(6, eq.gain_db.max)),
            "q": chance.uniform(eq.q.min, min(4, eq.q.max)),
        }
        for _ in range(min(eq.bands, 4))
    ]
