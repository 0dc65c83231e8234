"""The demo venue: its devices start as its room files want them, but for the mistakes that were seeded.

The room files are resolved here (position over group over room, trim, time_align), and not by the tool, so that each
checks the other.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import yaml

from simulators.condition import stored
from simulators.fitting import fitted
from simulators.models import MODELS
from simulators.population import Simulated, from_venue

Json = dict[str, Any]
VENUE = Path(__file__).parents[2] / "simulators" / "venue"
OUTPUT_SETTINGS = ("level_db", "mute", "polarity", "delay_ms", "eq", "high_pass", "low_pass")
DEVICE_SETTINGS = ("input", "panel_locked", "power_up_slot")

MISTAKES = {
    ("lantern-studio", "corner-3"): {
        "active_slot", "input", "panel_locked", "level_db", "delay_ms", "eq", "high_pass", "slot level_db",
        "slot delay_ms", "slot eq", "slot high_pass",
    },
    ("quay-hall", "sub-right"): {"polarity"},
    ("rehearsal-room", "right"): {"mute"},
    ("quay-hall", "front-fill-1"): {"delay_ms", "slot delay_ms"},
    ("quay-hall", "front-fill-2"): {"delay_ms", "slot delay_ms"},
    ("long-gallery", "column-3"): {"eq"},
    ("foyer", "door-right"): {"level_db"},
    ("rehearsal-room", "mirror-wall"): {"missing"},
}  # fmt: skip


def rooms() -> Iterator[Json]:
    for path in sorted((VENUE / "rooms").glob("*.yaml")):
        yield yaml.safe_load(path.read_text(encoding="utf-8"))


def devices() -> dict[str, Simulated]:
    return {device.identity.device: device for device in from_venue(VENUE)}


def wanted(room: Json, name: str) -> Json:
    """The settings of a position: its own, else its groups', else the room's."""
    position = room["positions"][name]
    groups = [room["groups"][group] for group in position.get("groups", [])]
    layers = [room.get("defaults", {}), *groups, position]
    merged: Json = {}
    for layer in layers:
        merged |= {key: value for key, value in layer.items() if key not in ("groups", "together", "role")}
    if "trim_db" in merged:
        merged["level_db"] += merged["trim_db"]
    return merged


def house_eq(room: Json) -> list[Json]:
    venue = yaml.safe_load((VENUE / "venue.yaml").read_text(encoding="utf-8"))
    curves = {**venue["curves"], **room.get("curves", {})}
    eq: list[Json] = curves[room["house_curve"]["curve"]]
    return eq


def aligned_delay_ms(room: Json, name: str, found: dict[str, Simulated]) -> float:
    """(reference path - own path) / c + offset + the reference's delay + its latency - own latency.

    c = 343.2 m/s * sqrt((t + 273.15) / 293.15), ISO 9613-1.
    """
    settings = wanted(room, name)
    align = settings["time_align"]
    reference = wanted(room, align["to"])
    listen = settings.get("listen_at_m") or room["listen_at_m"]
    c_m_per_s = 343.2 * math.sqrt((room["air_temperature_c"] + 273.15) / 293.15)
    paths_m = [math.dist(each["at_m"], listen) for each in (reference, settings)]
    latencies_ms = [found[each["device"]].model.latency_ms for each in (reference, settings)]
    return float(
        (paths_m[0] - paths_m[1]) / c_m_per_s * 1000
        + align["offset_ms"]
        + reference["delay_ms"]
        + latencies_ms[0]
        - latencies_ms[1]
    )


def in_its_own_q(device: Simulated, eq: list[Json]) -> list[Json]:
    if device.model.q_convention == "cookbook":
        return eq
    return [
        {**band, "q": band["q"] * 10 ** (abs(band["gain_db"]) / 40)} if band["shape"] == "bell" else band for band in eq
    ]


def differences(room: Json, name: str, found: dict[str, Simulated]) -> set[str]:
    settings = wanted(room, name)
    device = found.get(settings["device"])
    if device is None:
        return {"missing"}
    if settings.get("life_safety"):
        return set()
    number = settings.get("output", 1)
    ability, live = device.model.outputs[number - 1], device.kept.live
    settings["eq"] = in_its_own_q(device, settings.get("eq", house_eq(room)))
    if "time_align" in settings:
        settings["delay_ms"] = aligned_delay_ms(room, name, found)
    between = settings["level_db"].get("between") if isinstance(settings["level_db"], dict) else None
    if between:
        settings["level_db"] = None
    expected = fitted(ability, {key: settings.get(key) for key in OUTPUT_SETTINGS})
    held = live.outputs[number - 1]
    different = {key for key, value in expected.items() if held[key] != value}
    if between and not between[0] <= held["level_db"] <= between[1]:
        different.add("level_db")
    if "mute" in settings and bool(live.mutes[number - 1]) != settings["mute"]:
        different.add("mute")
    different |= {key for key in DEVICE_SETTINGS if key in settings and getattr(live, key) != settings[key]}
    house = room["house_curve"]
    slot = house.get("slot") or house["slots"][device.model.name]
    if live.active_slot != slot:
        different.add("active_slot")
    contents = device.kept.slots[slot - 1].outputs[number - 1]
    return different | {
        f"slot {key}" for key, value in stored(device.model, expected).items() if contents[key] != value
    }


def test_every_device_starts_as_wanted_but_for_the_seeded_mistakes() -> None:
    found = devices()
    seen = {
        (room["room"], name): different
        for room in rooms()
        for name in room["positions"]
        if (different := differences(room, name, found))
    }
    assert seen == MISTAKES


def test_one_spare_is_in_no_room_and_two_devices_claim_one_serial() -> None:
    found = devices()
    named = {position["device"] for room in rooms() for position in room["positions"].values()}
    assert set(found) - named == {"fenn-0901"}
    serials = [device.identity.serial for device in found.values()]
    twice = [device.identity.device for device in found.values() if serials.count(device.identity.serial) > 1]
    assert twice == ["rill-0501", "rill-0502"]


def test_the_venue_is_as_large_as_the_demo_needs() -> None:
    found, all_rooms = devices(), list(rooms())
    assert len(all_rooms) >= 5
    assert len(found) >= 32
    assert {device.model.name for device in found.values()} == set(MODELS)
    amplifier = [room["room"] for room in all_rooms for p in room["positions"].values() if p["device"] == "weir-0410"]
    assert set(amplifier) == {"cafe", "foyer"}
    assert sum(p.get("life_safety", False) for room in all_rooms for p in room["positions"].values()) == 1


def test_a_power_cut_brings_three_boxes_of_one_room_or_more_to_a_slot_that_is_not_the_house_slot() -> None:
    found = devices()
    fallen = []
    for room in rooms():
        if room["room"] == "quay-hall":
            for position in room["positions"].values():
                model = found[position["device"]].model
                house = room["house_curve"]["slots"][model.name]
                if model.power_up.behaviour == "default_slot" and not model.power_up.slot_settable:
                    assert model.power_up.slot != house
                    fallen.append(position["device"])
    assert len(fallen) >= 3
