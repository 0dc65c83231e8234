"""Whether a model can do what is asked, and the values it keeps when it does."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from .abilities import Filter, Json, Model, Output
from .condition import OUTPUT_SETTINGS, Settings
from .request import Refused


@dataclass(frozen=True, slots=True)
class Work:
    """What one phase, or one `set`, does: recall, then settings; slot contents are for later."""

    recall: int | None
    settings: Json
    slot_contents: tuple[Json, ...]

    @classmethod
    def of(cls, body: Json) -> Work:
        """The work in a well-formed body of `stage` or `set`."""
        return cls(body.get("recall"), body.get("settings") or {}, tuple(body.get("slot_contents") or ()))


def check_supported(model: Model, work: Work) -> None:
    """Raise `unsupported` where a setting, shape, family, slope or input is not of this model."""
    _check_input(model, work.settings.get("input"))
    if work.settings.get("panel_locked") is not None and not model.panel_lock:
        raise Refused("unsupported", "there is no panel lock")
    if work.settings.get("power_up_slot") is not None and not model.power_up.slot_settable:
        raise Refused("unsupported", "the power-up slot cannot be set")
    for output, asked in _asked_live(model, work):
        _check_output_supported(output, asked)
    for contents in work.slot_contents:
        if contents.get("input") is not None and not model.stores_input:
            raise Refused("unsupported", "slots do not hold the input")
        _check_input(model, contents.get("input"))
        for output, asked in _outputs(model, contents["outputs"]):
            for name in ("mute", *OUTPUT_SETTINGS):
                if asked.get(name) is not None and name not in model.slots.stores:
                    raise Refused("unsupported", f"slots do not hold {name}")
            _check_output_supported(output, asked)


def check_ranges(model: Model, work: Work) -> None:
    """Raise `out_of_range` for numbers, band counts and slots, then `locked_slot` for a store into a factory slot."""
    slots = [work.recall, work.settings.get("power_up_slot"), *(item["slot"] for item in work.slot_contents)]
    for slot in slots:
        if slot is not None and not 1 <= slot <= model.slots.count:
            raise Refused("out_of_range", f"there is no slot {slot}")
    for output, asked in _asked_live(model, work):
        _check_output_ranges(output, asked)
    for contents in work.slot_contents:
        for output, asked in _outputs(model, contents["outputs"]):
            _check_output_ranges(output, asked)
    for contents in work.slot_contents:
        if contents["slot"] in model.slots.factory:
            raise Refused("locked_slot", f"slot {contents['slot']} is the factory's")


def fitted(output: Output, asked: Settings) -> Settings:
    """The asked settings with every number brought to what the output keeps."""
    kept: Json = {}
    for name in OUTPUT_SETTINGS:
        value = asked.get(name)
        if value is None:
            continue
        if name == "level_db":
            value = output.level_db.quantise(value)
        elif name == "delay_ms" and output.delay_ms:
            value = output.delay_ms.quantise(value)
        elif name == "eq":
            value = [_fitted_band(output, band) for band in value]
        elif name in ("high_pass", "low_pass") and value != "none":
            value = _fitted_crossover(getattr(output, name), value)
        kept[name] = value
    return kept


def _fitted_band(output: Output, band: Json) -> Json:
    assert output.eq is not None
    return {
        "shape": band["shape"],
        **{name: getattr(output.eq, name).quantise(band[name]) for name in ("frequency_hz", "gain_db", "q")},
    }


def _fitted_crossover(ability: Filter, crossover: Json) -> Json:
    return {
        "family": crossover["family"],
        "slope_db_per_octave": int(crossover["slope_db_per_octave"]),
        "frequency_hz": ability.frequency_hz.quantise(crossover["frequency_hz"]),
    }


def _asked_live(model: Model, work: Work) -> Iterator[tuple[Output, Json]]:
    return _outputs(model, work.settings.get("outputs") or [])


def _outputs(model: Model, asked: list[Json]) -> Iterator[tuple[Output, Json]]:
    return ((model.outputs[item["output"] - 1], item) for item in asked)


def _check_input(model: Model, name: str | None) -> None:
    if name is not None and name not in model.inputs:
        raise Refused("unsupported", f"there is no input to choose by the name {name!r}")


def _check_output_supported(output: Output, asked: Json) -> None:
    for name in OUTPUT_SETTINGS:
        if asked.get(name) is not None and not output.has(name):
            raise Refused("unsupported", f"output {output.name} has no {name}")
    for band in asked.get("eq") or []:
        if output.eq and band["shape"] not in output.eq.shapes:
            raise Refused("unsupported", f"there is no shape {band['shape']!r}")
    for name in ("high_pass", "low_pass"):
        crossover = asked.get(name)
        if crossover in (None, "none"):
            continue
        slopes = getattr(output, name).slopes.get(crossover["family"])
        if slopes is None:
            raise Refused("unsupported", f"{name} has no family {crossover['family']!r}")
        if crossover["slope_db_per_octave"] not in slopes:
            raise Refused("unsupported", f"{name} has no slope of {crossover['slope_db_per_octave']} dB/octave")


def _check_output_ranges(output: Output, asked: Json) -> None:
    if asked.get("level_db") is not None and not output.level_db.holds(asked["level_db"]):
        raise Refused("out_of_range", f"level_db {asked['level_db']}")
    if asked.get("delay_ms") is not None and output.delay_ms and not output.delay_ms.holds(asked["delay_ms"]):
        raise Refused("out_of_range", f"delay_ms {asked['delay_ms']}")
    bands = asked.get("eq") or []
    if output.eq and len(bands) > output.eq.bands:
        raise Refused("out_of_range", f"{len(bands)} bands, {output.eq.bands} at most")
    for band in bands:
        for name in ("frequency_hz", "gain_db", "q"):
            if not getattr(output.eq, name).holds(band[name]):
                raise Refused("out_of_range", f"{name} {band[name]} of a band")
    for name in ("high_pass", "low_pass"):
        crossover = asked.get(name)
        if crossover in (None, "none"):
            continue
        if not getattr(output, name).frequency_hz.holds(crossover["frequency_hz"]):
            raise Refused("out_of_range", f"{name} at {crossover['frequency_hz']} Hz")
