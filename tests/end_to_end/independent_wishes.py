"""What a venue folder wants of each position, read once more and without `fleet`.

Every scalar is read as text: YAML 1.1, which PyYAML speaks, would take `off` for false, `0412` for an octal number
and `1e3` for text. Each value becomes a number or a truth only where one is wanted.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml
from independent_filters import device_q

Json = dict[str, Any]

TOLERANCES = {"level_db": 1.0, "eq_db": 1.0, "delay_ms": 2.0, "coherent_delay_ms": 0.1, "coherent_phase_deg": 10.0}
"""Common practice, no published source."""
INSTEAD = {"delay_ms": ("time_align",), "time_align": ("delay_ms",), "slot": ("slots",)}
"""Settings that replace one another."""


@dataclass(frozen=True)
class Wish:
    """A position, and what the files give for it after defaults, groups and trim."""

    room: str
    position: str
    given: Json
    tolerances: Mapping[str, float]
    coherent: bool
    curves: Mapping[str, list[Json]]
    temperature_c: float

    @property
    def device(self) -> str:
        return str(self.given["device"])

    @property
    def output(self) -> int:
        return int(self.given.get("output", 1))

    @property
    def life_safety(self) -> bool:
        return truth(self.given.get("life_safety", "false"))

    def slot(self, model: str) -> int | None:
        """The house-curve slot of a device of this model."""
        slots = {"*": self.given["slot"]} if "slot" in self.given else self.given.get("slots", {})
        number = slots.get(model, slots.get("*"))
        return None if number is None else int(number)


def read_wishes(folder: Path) -> list[Wish]:
    """All positions of a venue folder, rooms and positions in the order of their names."""
    venue = _yaml(folder / "venue.yaml")
    rooms = [_yaml(path) for path in sorted((folder / "rooms").glob("*.yaml"))]
    return [
        _wish(venue, room, name, position)
        for room in sorted(rooms, key=lambda room: str(room["room"]))
        for name, position in sorted(room["positions"].items())
    ]


def wanted_settings(wish: Wish, wishes: list[Wish], descriptions: Mapping[str, Json]) -> Json:
    """What the output of a position should be, on the device's own steps and in its own Q; ranges as they are.

    Nothing is wanted of settings that the device does not have.
    """
    given, description = wish.given, descriptions[wish.device]
    able = able_output(description, wish.output)
    wanted: Json = {}
    for name in ("level_db", "delay_ms"):
        if name in given and able[name] is not None:
            wanted[name] = given[name] if isinstance(given[name], dict) else nearest(able[name], float(given[name]))
    if "time_align" in given and able["delay_ms"] is not None:
        wanted["delay_ms"] = nearest(able["delay_ms"], aligned_ms(wish, wishes, descriptions))
    if "mute" in given:
        wanted["mute"] = truth(given["mute"])
    if "polarity" in given and able["polarity"]:
        wanted["polarity"] = given["polarity"]
    if "eq" in given and able["eq"] is not None:
        wanted["eq"] = [_band(b, able["eq"], description["q_convention"]) for b in _bands(given["eq"], wish.curves)]
    for name in ("high_pass", "low_pass"):
        if name in given and able[name] is not None:
            wanted[name] = given[name] if given[name] == "none" else _filter(given[name], able[name])
    return wanted


def able_output(description: Json, number: int) -> Json:
    """What an output can do, by its device's description."""
    able: Json = next(output for output in description["outputs"] if output["output"] == number)
    return able


def aligned_ms(wish: Wish, wishes: list[Wish], descriptions: Mapping[str, Json]) -> float:
    """A computed delay: difference of paths over the speed of sound (ISO 9613-1:1993, Annex A), offset, the named
    position's own delay, and the difference of the latencies."""
    align = wish.given["time_align"]
    other = next(w for w in wishes if (w.room, w.position) == (wish.room, align["to"]))
    speed_m_s = 343.2 * math.sqrt((wish.temperature_c + 273.15) / 293.15)
    listener = _point(wish.given["listen_at_m"])
    path_m = math.dist(_point(other.given["at_m"]), listener) - math.dist(_point(wish.given["at_m"]), listener)
    if "time_align" in other.given:
        other_ms = aligned_ms(other, wishes, descriptions)
    else:
        other_ms = float(other.given.get("delay_ms", 0))
    latency_ms = descriptions[other.device]["latency_ms"] - descriptions[wish.device]["latency_ms"]
    return float(1000 * path_m / speed_m_s + float(align.get("offset_ms", 0)) + other_ms + latency_ms)


def nearest(steps: Json, value: float) -> float:
    """The step of a range nearest to a value, halves up (wire contract)."""
    if not steps["step"]:
        return value
    return float(steps["min"] + math.floor((value - steps["min"]) / steps["step"] + 0.5) * steps["step"])


def truth(text: str) -> bool:
    """`true` or `false`, and no other word."""
    return {"true": True, "false": False}[text]


def _wish(venue: Json, room: Json, name: str, position: Json) -> Wish:
    house = room.get("house_curve", {})
    below: Json = {key: room[key] for key in ("listen_at_m", "tolerances") if key in room}
    below |= {key: house[key] for key in ("slot", "slots") if key in house}
    if house:
        below["eq"] = "house"
    curves = {**venue.get("curves", {}), **room.get("curves", {})}
    curves["house"] = curves.get(house.get("curve"), [])
    groups = [room["groups"][group] for group in position.get("groups", [])]
    given: Json = {}
    tolerances = dict(TOLERANCES)
    for layer in ({"tolerances": venue.get("tolerances", {})}, below, room.get("defaults", {}), *groups, position):
        for replaced in [old for new in layer for old in INSTEAD.get(new, ())]:
            given.pop(replaced, None)
        given |= layer
        tolerances |= {key: float(value) for key, value in layer.get("tolerances", {}).items()}
    if "trim_db" in position:
        given["level_db"] = str(float(given["level_db"]) + float(position["trim_db"]))
    return Wish(
        room=room["room"],
        position=name,
        given=given,
        tolerances=tolerances,
        coherent=any(truth(group.get("together", "false")) for group in groups),
        curves=curves,
        temperature_c=float(room.get("air_temperature_c", 20)),
    )


def _bands(eq: str | list[str | Json], curves: Mapping[str, list[Json]]) -> list[Json]:
    bands: list[Json] = []
    for item in [eq] if isinstance(eq, str) else eq:
        bands += curves[item] if isinstance(item, str) else [item]
    return bands


def _band(band: Json, able: Json, q_convention: str) -> Json:
    gain_db = nearest(able["gain_db"], float(band.get("gain_db", 0)))
    return {
        "shape": band["shape"],
        "frequency_hz": nearest(able["frequency_hz"], float(band["frequency_hz"])),
        "gain_db": gain_db,
        "q": nearest(able["q"], device_q(float(band["q"]), gain_db, band["shape"], q_convention)),
    }


def _filter(filter_: Json, able: Json) -> Json:
    return {
        "family": filter_["family"],
        "slope_db_per_octave": int(filter_["slope_db_per_octave"]),
        "frequency_hz": nearest(able["frequency_hz"], float(filter_["frequency_hz"])),
    }


def _point(texts: list[str]) -> list[float]:
    return [float(text) for text in texts]


def _yaml(path: Path) -> Json:
    document: Json = yaml.load(path.read_text(encoding="utf-8"), Loader=yaml.BaseLoader)
    return document
