"""The figures of a venue worked out once more, plainly and without `fleet`: from its files and from raw messages.

What counts as one difference is one setting of one output, live or in the house-curve slot, or one of the device as a
whole, that is audible or serious: from its tolerance on, or of a kind that has none.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from independent_filters import apart, crossover_sections, eq_sections
from independent_wishes import Wish, able_output, wanted_settings

Json = dict[str, Any]
OURS_OR_PANEL = {"controller", "panel"}
ROUNDING = 1e-6


@dataclass(frozen=True)
class Told:
    """The last message of each kind by each device."""

    presence: Mapping[str, Json]
    description: Mapping[str, Json]
    state: Mapping[str, Json]
    slots: Mapping[str, Json]

    def online(self) -> set[str]:
        return {device for device, presence in self.presence.items() if presence["online"]}

    def conflicting(self) -> set[str]:
        """Devices of which two claim one serial, or that tell two serials of their own."""
        claims = Counter(description["serial"] for description in self.description.values())
        return {
            device
            for device, description in self.description.items()
            if claims[description["serial"]] > 1 or self.state[device]["serial"] != description["serial"]
        }


def device_figures(wishes: Sequence[Wish], told: Told, announced: set[str]) -> dict[str, int]:
    """The devices counted: announced by mDNS, found alive, named and alive, named and away, in conflict, not named."""
    named, online, conflicting = {wish.device for wish in wishes}, told.online(), told.conflicting()
    return {
        "announced": len(announced),
        "found": len(online),
        "bound": len((named & online) - conflicting),
        "missing": len(named - online - conflicting),
        "conflicting": len(conflicting),
        "unknown": len(online - named),
    }


def differences(wishes: list[Wish], told: Told) -> list[str]:
    """Every audible or serious difference, a line each. Life safety, missing and conflicting devices are not judged."""
    judged = (told.online() & {wish.device for wish in wishes}) - told.conflicting()
    lines: list[str] = []
    for device in sorted(judged):
        own = sorted((wish for wish in wishes if wish.device == device), key=lambda wish: wish.output)
        if not any(wish.life_safety for wish in own):
            lines += [f"{device}: {line}" for line in _of_device(own, wishes, told)]
    return lines


def _of_device(own: list[Wish], wishes: list[Wish], told: Told) -> Iterator[str]:
    device = own[0].device
    description, state = told.description[device], told.state[device]
    slot = own[0].slot(description["model"])
    assert all(wish.slot(description["model"]) == slot for wish in own), "positions disagree about the slot"
    wide = {name: wish.given[name] for wish in own for name in ("input", "power_up_slot") if name in wish.given}
    if slot is not None and state["active_slot"] != slot:
        yield f"slot {state['active_slot']}"
    if "input" in wide and state["input"] != wide["input"]:
        yield f"input {state['input']}"
    if "power_up_slot" in wide and _powers_up_in(description, state) != int(wide["power_up_slot"]):
        yield "power-up slot"

    contents = next((one for one in told.slots[device]["slots"] if one["slot"] == slot), None)
    readable = contents is not None and contents["outputs"] is not None
    stores = set(description["slots"]["stores"])
    if readable and contents and "input" in stores & set(wide) and contents["input"] != wide["input"]:
        yield f"slot {slot}: input {contents['input']}"
    for wish in own:
        wanted = wanted_settings(wish, wishes, told.description)
        live = _output(state["outputs"], wish.output)
        yield from (f"{wish.position}: {line}" for line in _of_output(wish, description, wanted, live))
        if readable and contents:
            held = _output(contents["outputs"], wish.output)
            storable = {n: v for n, v in wanted.items() if n in stores and n != "mute" and not _is_range(v)}
            lines = _of_output(wish, description, storable, held)
            yield from (f"{wish.position}: slot {slot}: {line}" for line in lines)


def _of_output(wish: Wish, description: Json, wanted: Json, found: Json) -> Iterator[str]:
    for name, value in wanted.items():
        other = found.get(name)
        if other is None:
            yield f"{name} is not told"
        elif name == "mute":
            causes = set(found.get("mute_causes", ()))
            if value != other and (value or not causes or causes & OURS_OR_PANEL):
                yield f"mute is {other}"
        elif name == "polarity":
            if value != other:
                yield f"polarity is {other}"
        elif name in {"level_db", "delay_ms"}:
            if _number_counts(wish, name, value, other):
                yield f"{name} is {other}, not {value}"
        elif _chain_counts(wish, description, name, value, other):
            yield f"{name} is {other}, not {value}"


def _number_counts(wish: Wish, name: str, wanted: Any, found: float) -> bool:
    if _is_range(wanted):
        low, high = map(float, wanted["between"])
        off = max(low - found, found - high)
        return off > ROUNDING and off >= wish.tolerances[name] - ROUNDING
    late = found - wanted
    tolerance = wish.tolerances["coherent_delay_ms" if name == "delay_ms" and wish.coherent else name]
    align = wish.given.get("time_align")
    offset_ms = float(align.get("offset_ms", 0)) if align and name == "delay_ms" else 0.0
    # A fill that comes before what it is aligned to is serious, however little it is off.
    too_early = wish.given.get("role") == "fill" and offset_ms > 0 and offset_ms + late < -ROUNDING
    return abs(late) >= tolerance - ROUNDING or too_early


def _chain_counts(wish: Wish, description: Json, name: str, wanted: Any, found: Any) -> bool:
    if wanted == found:
        return False
    rate_hz = description["sample_rate_hz"]
    if name == "eq":
        one, other = (eq_sections(bands, rate_hz, description["q_convention"]) for bands in (wanted, found))
        centres_hz = [band["frequency_hz"] for band in (*wanted, *found)]
    elif "none" in (wanted, found) or _kind(wanted) != _kind(found):
        return True
    else:
        one, other = (crossover_sections(name, filter_, rate_hz) for filter_ in (wanted, found))
        centres_hz = [wanted["frequency_hz"], found["frequency_hz"]]
    off_db, off_deg = apart(one, other, centres_hz, able_output(description, wish.output)["passband_hz"], rate_hz)
    out_of_phase = wish.coherent and off_deg >= wish.tolerances["coherent_phase_deg"] - ROUNDING
    return off_db >= wish.tolerances["eq_db"] - ROUNDING or out_of_phase


def _kind(filter_: Json) -> tuple[str, int]:
    return filter_["family"], filter_["slope_db_per_octave"]


def _is_range(value: object) -> bool:
    return isinstance(value, dict) and "between" in value


def _output(outputs: Sequence[Json], number: int) -> Json:
    return next((one for one in outputs if one["output"] == number), {})


def _powers_up_in(description: Json, state: Json) -> int | None:
    power_up = description["power_up"]
    slot: int | None = state["power_up_slot"] if power_up["slot_settable"] else power_up["slot"]
    return slot
