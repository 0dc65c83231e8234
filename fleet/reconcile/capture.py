"""What devices report as a room: plain data of a room file in which nothing is said twice, and what it leaves out.

Comparing the room with the same devices finds nothing.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import groupby
from typing import Any, Final

from fleet.model.names import shown
from fleet.model.settings import Band, Crossover
from fleet.reconcile.capture_names import free_name, name_from
from fleet.reconcile.capture_sharing import Accepts, Shared, for_all, groups, unify
from fleet.reconcile.capture_slots import slot_to_want
from fleet.reconcile.capture_values import CapturedOutput, Value, accepts
from fleet.reconcile.wanted import Represent

SETTINGS: Final = (
    *("level_db", "delay_ms", "mute", "polarity", "input", "panel_locked", "power_up_slot", "slot"),
    *("eq", "high_pass", "low_pass"),
)
"""In the order in which they are written."""
HOUSE_SHARE: Final = 0.5
"""An EQ that more than this share of the positions has is the house curve."""
MOST_CURVES: Final = 100
"""A room file has room for some more, which are left to people."""
TELLS_NOTHING: Final = frozenset({"", "slot", "preset", "user", "house"})
"""Names of slots that are no names for a curve."""
MODEL_CHARACTERS: Final = 200

Data = dict[str, Any]
Bands = tuple[Band, ...]


@dataclass(frozen=True, slots=True)
class CapturedRoom:
    """A room file's data, and what has to be told of it: (position, words)."""

    data: Data
    notes: tuple[tuple[str, str], ...]


def want_slots(outputs: Sequence[CapturedOutput]) -> None:
    """Decide for each device which slot it is to be in, and note why where it is none."""
    for _, same_device in groupby(outputs, key=lambda one: one.device):
        own = list(same_device)
        slot, why = slot_to_want(own[0].reported, own)
        if why:
            own[0].notes.append(why)
        for one in own:
            one.slot = slot


def captured_room(
    room: str, outputs: Sequence[CapturedOutput], represent: Represent, taken_curves: Collection[str] = ()
) -> CapturedRoom:
    """A room of these outputs, those of one device beside each other. `taken_curves` are names not to be used."""
    outputs = [replace(one, values=dict(one.values), notes=list(one.notes)) for one in outputs]
    want_slots(outputs)
    for one in outputs:
        if one.slot is not None:
            one.values["slot"] = one.slot
    takes: Accepts = partial(_accepts, represent)
    for setting in SETTINGS:
        unify(outputs, setting, takes)
    house = _house_curve(outputs, takes)
    curves = _curve_names(outputs, house, taken_curves)
    house_data = _house_data(outputs, house, curves)
    defaults = _defaults(outputs, takes)
    shared = groups(outputs)
    named = _named_groups(outputs, shared)
    data: Data = {"format": 1, "room": room}
    if curves:
        data["curves"] = {name: plain_value(bands) for bands, name in curves.items()}
    if house_data:
        data["house_curve"] = house_data
    if defaults:
        data["defaults"] = plain_settings(defaults, curves)
    if named:
        data["groups"] = {name: plain_settings(dict(one.pairs), curves) for name, one in named.items()}
    group_of = {number: name for name, group in named.items() for number in group.members}
    for number, name in group_of.items():
        for setting, _ in named[name].pairs:
            del outputs[number].values[setting]
    data["positions"] = {
        one.position: position_data(one, one.values, group_of.get(number), curves) for number, one in enumerate(outputs)
    }
    return CapturedRoom(data, tuple((one.position, words) for one in outputs for words in one.notes))


def position_data(
    one: CapturedOutput,
    values: Mapping[str, Value],
    group: str | None = None,
    curves: Mapping[Bands, str] | None = None,
) -> Data:
    """A position as a file has it: what serves it, its group, and the settings that are its own."""
    data: Data = {"device": one.device}
    if len(one.description.outputs) > 1 or one.output != 1:
        data["output"] = one.output
    if group is not None:
        data["groups"] = [group]
    return {**data, **plain_settings(values, curves or {})}


def plain_settings(values: Mapping[str, Value], curves: Mapping[Bands, str]) -> Data:
    """Settings as a file has them, in the order of files; an EQ that has a name is called by it."""
    return {
        setting: curves[value] if isinstance(value, tuple) and value in curves else plain_value(value)
        for setting in SETTINGS
        if (value := values.get(setting)) is not None
    }


def plain_value(value: Value) -> Any:
    """One value as a file has it."""
    if isinstance(value, Crossover):
        return {
            "family": value.family,
            "slope_db_per_octave": value.slope_db_per_octave,
            "frequency_hz": value.frequency_hz,
        }
    if isinstance(value, tuple):
        return [_band(band) for band in value]
    return value


def _band(band: Band) -> Data:
    gain = {} if band.shape in ("notch", "all_pass") else {"gain_db": band.gain_db}
    return {"shape": band.shape, "frequency_hz": band.frequency_hz, **gain, "q": band.q}


def _accepts(represent: Represent, one: CapturedOutput, setting: str, value: Value) -> bool:
    return accepts(one, setting, value, represent)


def _house_curve(outputs: Sequence[CapturedOutput], takes: Accepts) -> Bands | None:
    """The EQ of most positions, taken out of their settings; those without an equaliser are told to have none."""
    used = Counter(value for one in outputs if isinstance(value := one.values.get("eq"), tuple) and value)
    bands, count = next(iter(used.most_common(1)), ((), 0))
    others = [one for one in outputs if one.values.get("eq") != bands]
    flat = [one for one in others if "eq" not in one.values]
    if count <= HOUSE_SHARE * len(outputs) or not all(takes(one, "eq", ()) for one in flat):
        return None
    for one in flat:
        one.values["eq"] = ()
    for one in outputs:
        if one.values["eq"] == bands:
            del one.values["eq"]
    return bands


def _curve_names(outputs: Sequence[CapturedOutput], house: Bands | None, taken: Collection[str]) -> dict[Bands, str]:
    """Names for the house curve and for every EQ that more than one position has, after the slots they are in."""
    used = Counter(value for one in outputs if isinstance(value := one.values.get("eq"), tuple) and value)
    shared = [bands for bands, count in used.most_common(MOST_CURVES) if count > 1]
    names: dict[Bands, str] = {}
    for bands in [house, *shared] if house else shared:
        holders = [one for one in outputs if one.values.get("eq", house) == bands]
        slots = Counter(_slot_name(one) for one in holders)
        wanted = next((name for name, _ in slots.most_common(1) if name), "captured")
        names[bands] = free_name(wanted, {*names.values(), *taken, "house"})
    return names


def _slot_name(one: CapturedOutput) -> str:
    """The name of the slot that is wanted of a device, where it tells anything."""
    contents = one.reported.slots.get(one.slot) if one.slot is not None else None
    name = name_from(contents.name) if contents else ""
    return "" if name.rstrip("0123456789").rstrip("-") in TELLS_NOTHING else name


def _house_data(outputs: Sequence[CapturedOutput], house: Bands | None, curves: Mapping[Bands, str]) -> Data:
    """The house curve with its slot: one for all, or one by model where the devices of a model agree."""
    if house is None:
        return {}
    data: Data = {"curve": curves[house]}
    by_model: dict[str, set[int | None]] = defaultdict(set)
    for one in outputs:
        by_model[one.description.model].add(one.slot)
    all_slots = set().union(*by_model.values())
    if len(all_slots) == 1 and None not in all_slots:
        data["slot"] = all_slots.pop()
        settled = set(by_model)
    else:
        agreed = {m: s.copy().pop() for m, s in by_model.items() if len(s) == 1 and None not in s and _writable(m)}
        if agreed:
            data["slots"] = agreed
        settled = set(agreed)
    for one in outputs:
        if one.description.model in settled:
            one.values.pop("slot", None)
    return data


def _writable(model: str) -> bool:
    """Whether a model's name can be a key of `slots`; `*` stands for all others there."""
    return model not in ("", "*") and shown(model, MODEL_CHARACTERS) == model


def _defaults(outputs: Sequence[CapturedOutput], takes: Accepts) -> dict[str, Value]:
    """What every position has in common, taken out of their settings. A mute is nobody's default."""
    defaults: dict[str, Value] = {}
    for setting in SETTINGS:
        value = for_all(outputs, setting, takes) if setting != "mute" else None
        if value is not None:
            defaults[setting] = value
            for one in outputs:
                one.values.pop(setting, None)
    return defaults


def _named_groups(outputs: Sequence[CapturedOutput], shared: Sequence[Shared]) -> dict[str, Shared]:
    """Groups by name: after their model where they have one, else after their first position."""
    taken = {one.position for one in outputs}
    named: dict[str, Shared] = {}
    for group in sorted(shared, key=lambda one: one.members):
        models = {outputs[number].description.model for number in group.members}
        wanted = name_from(models.pop()) if len(models) == 1 else ""
        wanted = wanted or f"like-{outputs[group.members[0]].position}"
        named[free_name(wanted, {*taken, *named})] = group
    return named
