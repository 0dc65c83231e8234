"""Devices of all simulated models in random states, as they report themselves over the wire."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from random import Random
from typing import Any

from fleet.desired.load import load
from fleet.desired.version import Version
from fleet.drivers.mqtt import codec
from fleet.model.difference import Comparison
from fleet.model.state import Reported
from fleet.reconcile.capture import CapturedRoom, captured_room
from fleet.reconcile.capture_names import position_names
from fleet.reconcile.capture_values import captured
from fleet.reconcile.compare import compare
from fleet.reconcile.representable import representable
from fleet.reconcile.wanted_devices import wanted_devices
from fleet.services.capturing import room_text
from simulators.abilities import Identity, Model, Output, describe
from simulators.condition import Slot, factory_fresh, stored
from simulators.faults import Faults
from simulators.fitting import fitted
from simulators.models import MODELS
from simulators.running import Running
from simulators.telling import slots_message, state_message

VENUE = "format: 1\nname: Harbour House\ntime_zone: Europe/Berlin\n"
MOMENT = {"boot_id": "b-1", "revision": 1, "uptime_ms": 1000.0}
LR24 = {"family": "linkwitz_riley", "slope_db_per_octave": 24}
Json = dict[str, Any]


def reported(
    model: Model,
    device: str,
    asked: list[Json] | None = None,
    *,
    slot: int | None = None,
    slot_name: str = "house",
    stored_as: list[Json] | None = None,
    mutes: Mapping[int, frozenset[str]] | None = None,
    **wide: Any,
) -> Reported:
    """A device whose outputs were asked for some settings, in a slot that holds the same, or what is `stored_as`."""
    fresh = factory_fresh(model)
    outputs = _outputs(model, asked or [{}] * len(model.outputs))
    slots = list(fresh.slots)
    live = replace(fresh.live, outputs=outputs, **wide)
    if slot is not None:
        held = tuple(stored(model, s) for s in (_outputs(model, stored_as) if stored_as else outputs))
        slots[slot - 1] = Slot(slot, slot_name, "user", live.input if model.stores_input else None, held)
    muted = tuple((mutes or {}).get(number, frozenset()) for number in range(1, len(outputs) + 1))
    running = Running(model, replace(fresh, slots=tuple(slots)), Faults())
    running.disturb(lambda _: replace(live, active_slot=slot, mutes=muted), "set")
    identity = Identity(device, f"SN-{device}", model.firmware, f"02:00:5e:00:{len(device):02x}:01")
    description = codec.decode_description(device, _bytes(describe(model, identity)))
    return Reported(
        description=description,
        state=codec.decode_state(
            device, _bytes(state_message(identity, running, MOMENT, "")), description.q_convention
        ),
        slots=codec.decode_slots(device, _bytes(slots_message(identity, running, MOMENT)), description.q_convention),
    )


def at_random(chance: Random) -> list[Reported]:
    """A room's devices: some meant to be alike, some touched by hand, in slots that hold the same or something else."""
    wishes = [_wish(chance) for _ in range(chance.randint(1, 3))]
    models = chance.sample(sorted(MODELS), chance.randint(1, len(MODELS)))
    devices = []
    for number in range(chance.randint(1, 14)):
        model = MODELS[chance.choice(models)]
        asked = [_asked(chance, output, chance.choice(wishes)) for output in model.outputs]
        user = [n for n in range(1, model.slots.count + 1) if n not in model.slots.factory]
        slot = chance.choice([user[-1], user[-1], chance.choice(user), 1, None])
        wide: Json = {}
        if model.inputs:
            wide["input"] = chance.choice([model.inputs[0], model.inputs[-1]])
        if model.panel_lock:
            wide["panel_locked"] = chance.random() < 0.7
        if model.power_up.slot_settable:
            wide["power_up_slot"] = chance.choice([1, user[-1]])
        causes = [frozenset[str](), frozenset({"panel"}), frozenset({"external"}), frozenset({"alarm", "controller"})]
        devices.append(
            reported(
                model,
                f"{model.prefix}-{number:04d}",
                asked,
                slot=slot,
                slot_name=chance.choice(["house", "house", "Speech!", "user 5", ""]),
                stored_as=None if chance.random() < 0.7 else [{"level_db": -30.0}] * len(asked),
                mutes={n: chance.choice([causes[0]] * 6 + causes) for n in range(1, len(asked) + 1)},
                **wide,
            )
        )
    return devices


def capture(devices: list[Reported], room: str = "hall", **other: Any) -> CapturedRoom:
    outputs = [
        captured(name, one, output, representable)
        for one in devices
        for output, name in position_names(one.description).items()
    ]
    return captured_room(room, outputs, representable, **other)


def loaded(room: CapturedRoom) -> Version:
    return load({"venue.yaml": VENUE, "rooms/hall.yaml": room_text(room.data)})


def compared(version: Version, devices: list[Reported]) -> Comparison:
    """What a diff finds in the devices, of which nothing may be unsuitable."""
    descriptions = {one.description.id: one.description for one in devices}
    wants, wrong = wanted_devices(version.venue, descriptions, descriptions, representable)
    assert {device: str(error) for device, error in wrong.items()} == {}
    return compare([(wants[one.description.id], one) for one in devices])


def _wish(chance: Random) -> Json:
    bands = [
        {
            "shape": chance.choice(["bell", "bell", "low_shelf", "high_shelf"]),
            "frequency_hz": chance.choice([63, 125.5, 997.3, 2500, chance.uniform(50, 16_000)]),
            "gain_db": chance.choice([-3, 1.5, 2.25, chance.uniform(-6, 6)]),
            "q": chance.choice([0.7, 1.4, 2.0, chance.uniform(0.5, 4)]),
        }
        for _ in range(chance.randint(0, 4))
    ]
    return {
        "level_db": chance.choice([-6, -12.5, chance.uniform(-40, 0)]),
        "delay_ms": chance.choice([0, 5, 12.3, chance.uniform(0, 90)]),
        "polarity": chance.choice(["normal", "normal", "inverted"]),
        "eq": bands,
        "high_pass": chance.choice(
            ["none", {"family": "linkwitz_riley", "slope_db_per_octave": 24, "frequency_hz": 100}]
        ),
        "low_pass": chance.choice(
            ["none", {"family": "linkwitz_riley", "slope_db_per_octave": 24, "frequency_hz": 120}]
        ),
    }


def _asked(chance: Random, output: Output, wish: Json) -> Json:
    """The wish as far as an output can be that, sometimes with another level or delay."""
    asked = {name: value for name, value in wish.items() if output.has(name)}
    eq = output.eq
    asked["eq"] = [b for b in wish["eq"] if eq and b["shape"] in eq.shapes and _inside(eq, b)][: eq.bands if eq else 0]
    for name in ("high_pass", "low_pass"):
        ability = getattr(output, name)
        if name in asked and asked[name] != "none":
            fits = asked[name]["slope_db_per_octave"] in ability.slopes.get("linkwitz_riley", ())
            asked[name] = asked[name] if fits and ability.frequency_hz.holds(asked[name]["frequency_hz"]) else "none"
    if chance.random() < 0.3:
        asked["level_db"] = chance.uniform(-40, 0)
    if chance.random() < 0.3:
        asked["delay_ms"] = chance.uniform(0, 90)
    return asked


def _inside(eq: Any, band: Json) -> bool:
    return all(getattr(eq, name).holds(band[name]) for name in ("frequency_hz", "gain_db", "q"))


def _outputs(model: Model, asked: list[Json]) -> tuple[Json, ...]:
    flat = factory_fresh(model).live.outputs
    return tuple(
        {**base, **fitted(output, wish)} for base, output, wish in zip(flat, model.outputs, asked, strict=True)
    )


def _bytes(message: Json) -> bytes:
    return json.dumps(message).encode()
